-- The day partitions of a table that lie before a day, the oldest first.
-- $1 text (reading_hour or reading_day)
-- $2 date (day)
-- -> partition text
-- -> day date
SELECT c.relname::text AS partition, to_date(right(c.relname::text, 8), 'YYYYMMDD') AS day
  FROM pg_catalog.pg_inherits i JOIN pg_catalog.pg_class c ON c.oid = i.inhrelid
 WHERE i.inhparent = to_regclass('vaneward.' || $1::text)
   AND c.relname ~ ('^' || $1::text || '_[0-9]{8}$')
   AND c.relname < $1::text || '_' || to_char($2::date, 'YYYYMMDD')
 ORDER BY c.relname;
