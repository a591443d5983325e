-- How far some sources have been read; place is where the source stands in the parameters, from 1.
-- $1 text[] (site)
-- $2 text[] (source)
-- -> place bigint
-- -> instance text
-- -> next_sequence bigint
-- -> last_contact_at timestamp with time zone
SELECT a.place, c.instance, c.next_sequence, c.last_contact_at
  FROM unnest($1::text[], $2::text[]) WITH ORDINALITY AS a (site, source, place)
  JOIN vaneward.source_cursor c ON c.site = a.site AND c.source = a.source;
