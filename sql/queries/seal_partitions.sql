-- Makes the partitions that blocks need.
-- $1 text (reading_hour or reading_day)
-- $2 timestamp with time zone[] (their beginnings)
-- -> made bigint
SELECT count(vaneward.make_day_partition($1::text, d.day)) AS made
  FROM (SELECT DISTINCT (b AT TIME ZONE 'UTC')::date AS day FROM unnest($2::timestamptz[]) AS b) AS d;
