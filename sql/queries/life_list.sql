-- Instances that some sources left, at most sixteen of each, in order of sources and time: from where on nothing was read there.
-- $1 text[] (site)
-- $2 text[] (source)
-- -> place bigint
-- -> instance text
-- -> next_sequence bigint
SELECT o.place, l.instance, l.next_sequence
  FROM unnest($1::text[], $2::text[]) WITH ORDINALITY AS o (site, source, place)
 CROSS JOIN LATERAL (SELECT g.instance, g.from_sequence AS next_sequence, g.recorded_at
                       FROM vaneward.gap g
                      WHERE g.site = o.site AND g.source = o.source
                        AND g.from_sequence IS NOT NULL AND g.to_sequence IS NULL
                      ORDER BY g.recorded_at DESC LIMIT 16) l
 ORDER BY o.place, l.recorded_at;
