-- Makes some of the partitions that blocks need and that are not there; made is 0 when none was missing.
-- $1 text (reading_hour or reading_day)
-- $2 timestamp with time zone[] (beginnings of the blocks)
-- $3 integer (at most so many)
-- -> made bigint
SELECT count(vaneward.make_day_partition($1::text, d.day)) AS made
  FROM (SELECT DISTINCT (b AT TIME ZONE 'UTC')::date AS day FROM unnest($2::timestamptz[]) AS b
         WHERE to_regclass('vaneward.' || $1::text || '_' || to_char(b AT TIME ZONE 'UTC', 'YYYYMMDD')) IS NULL
         LIMIT $3::integer) AS d;
