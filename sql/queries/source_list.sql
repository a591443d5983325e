-- All sources, how they are to be reached, and how far each has been read.
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
-- -> credential text
-- -> ca_file text
-- -> pinned_key text
-- -> networks text
SELECT s.site::text, s.source::text, s.url, s.format, s.period_s, c.instance, c.next_sequence, c.buffer_size,
       c.last_contact_at, c.failures, s.credential, s.ca_file, s.pinned_key, t.networks
  FROM vaneward.source s JOIN vaneward.site t USING (site) LEFT JOIN vaneward.source_cursor c USING (site, source)
 ORDER BY s.site, s.source;
