-- Deletes the summaries of the oldest day, where they are no longer to be kept.
-- $1 date (days before this one)
DELETE FROM vaneward.fan_day WHERE day = (SELECT min(day) FROM vaneward.fan_day WHERE day < $1::date);
