-- Notes that sources could not be read.
-- $1 text[]    (site)
-- $2 text[]    (source)
-- $3 integer[] (failures in a row)
-- $4 timestamp with time zone[] (last one)
-- $5 text[]    (why)
INSERT INTO vaneward.source_cursor AS c (site, source, failures, last_error_at, last_error)
SELECT f.site, f.source, f.failures, f.last_error_at, f.last_error
  FROM unnest($1::text[], $2::text[], $3::integer[], $4::timestamptz[], $5::text[])
       AS f (site, source, failures, last_error_at, last_error)
 WHERE EXISTS (SELECT FROM vaneward.source s WHERE s.site = f.site AND s.source = f.source)
    ON CONFLICT (site, source) DO UPDATE
   SET failures = excluded.failures, last_error_at = excluded.last_error_at, last_error = excluded.last_error;
