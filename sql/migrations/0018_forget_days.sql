-- Summaries that are no longer to be kept are deleted day by day: without this index each time would read all of them.
CREATE INDEX fan_day_day ON vaneward.fan_day (day);
COMMENT ON INDEX vaneward.fan_day_day IS 'For retention, which deletes the oldest day';
