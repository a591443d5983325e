-- The partitions of reading_hour for closed days.
-- $1 date (the first day that is not closed)
-- -> partition text
SELECT c.relname::text AS partition
  FROM pg_catalog.pg_inherits i JOIN pg_catalog.pg_class c ON c.oid = i.inhrelid
 WHERE i.inhparent = 'vaneward.reading_hour'::regclass
   AND c.relname ~ '^reading_hour_[0-9]{8}$'
   AND c.relname < 'reading_hour_' || to_char($1::date, 'YYYYMMDD')
 ORDER BY c.relname;
