-- Reports read all days of a site in the order in which they lie. The primary key has six times the pages of this index.
CREATE INDEX fan_day_site ON vaneward.fan_day (site);
COMMENT ON INDEX vaneward.fan_day_site IS 'For reports, which read all days of one site';
