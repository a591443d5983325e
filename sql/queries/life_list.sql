-- Instances that sources left, at most sixteen of each, in order of sources and time: from where on nothing was read there.
-- -> site text
-- -> source text
-- -> instance text
-- -> next_sequence bigint
SELECT s.site::text, s.source::text, l.instance, l.next_sequence
  FROM vaneward.source s
 CROSS JOIN LATERAL (SELECT g.instance, g.from_sequence AS next_sequence, g.recorded_at
                       FROM vaneward.gap g
                      WHERE g.site = s.site AND g.source = s.source
                        AND g.from_sequence IS NOT NULL AND g.to_sequence IS NULL
                      ORDER BY g.recorded_at DESC LIMIT 16) l
 ORDER BY s.site, s.source, l.recorded_at;
