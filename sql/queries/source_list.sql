-- All sources and how far each has been read.
-- -> site text
-- -> source text
-- -> url text
-- -> format text
-- -> period_s integer
-- -> instance text
-- -> next_sequence bigint
-- -> buffer_size bigint
-- -> last_contact_at timestamp with time zone
-- -> failures integer
SELECT s.site::text, s.source::text, s.url, s.format, s.period_s, c.instance, c.next_sequence, c.buffer_size,
       c.last_contact_at, c.failures
  FROM vaneward.source s LEFT JOIN vaneward.source_cursor c USING (site, source)
 ORDER BY s.site, s.source;
