-- Makes the partitions of a day and of the next one where they are missing.
-- $1 date (day)
-- -> made bigint
WITH missing AS (
    SELECT t.parent, d.day
      FROM (VALUES ('reading_hour'), ('reading_day')) AS t (parent), (VALUES ($1::date), ($1::date + 1)) AS d (day)
     WHERE to_regclass(format('vaneward.%s_%s', t.parent, to_char(d.day, 'YYYYMMDD'))) IS NULL)
SELECT count(vaneward.make_day_partition(parent, day)) AS made FROM missing;
