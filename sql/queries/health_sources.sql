-- All sources with what is known of their reading; gaps and observations set aside are those of the last 24 hours.
-- refusals is a JSON object of kinds (the reason without the values in it) and counts.
-- $1 timestamp with time zone (now)
-- -> site text
-- -> source text
-- -> url text
-- -> period_s integer
-- -> last_contact_at timestamp with time zone
-- -> next_sequence bigint
-- -> last_sequence bigint
-- -> buffer_size bigint
-- -> clock_offset_ms bigint
-- -> failures integer
-- -> last_error text
-- -> bindings bigint
-- -> gaps bigint
-- -> set_aside bigint
-- -> set_aside_why text
-- -> refusals text
-- -> certificate_expires_at timestamp with time zone
-- -> link_down text
SELECT s.site::text, s.source::text, s.url, s.period_s, c.last_contact_at, c.next_sequence, c.last_sequence,
       c.buffer_size, c.clock_offset_ms, coalesce(c.failures, 0) AS failures, c.last_error,
       coalesce(b.n, 0) AS bindings, coalesce(g.n, 0) AS gaps, coalesce(a.n, 0) AS set_aside, a.why AS set_aside_why,
       a.refusals, c.certificate_expires_at, vaneward.link_down(s.site, s.source, $1::timestamptz) AS link_down
  FROM vaneward.source s
  LEFT JOIN vaneward.source_cursor c USING (site, source)
  LEFT JOIN (SELECT site, source, count(*) AS n FROM vaneward.binding GROUP BY site, source) b USING (site, source)
  LEFT JOIN (SELECT site, source, count(*) AS n FROM vaneward.gap
              WHERE recorded_at > $1::timestamptz - interval '24 hours' GROUP BY site, source) g
         ON g.site = s.site AND g.source = s.source
  LEFT JOIN (SELECT site, source, sum(n)::bigint AS n, max(why) AS why, json_object_agg(kind, n ORDER BY kind)::text AS refusals
               FROM (SELECT site, source, regexp_replace(reason, '''[^'']*''|[0-9]+', '...', 'g') AS kind, count(*) AS n,
                            max(reason) AS why
                       FROM vaneward.set_aside
                      WHERE received_at > $1::timestamptz - interval '24 hours' GROUP BY site, source, kind) k
              GROUP BY site, source) a
         ON a.site = s.site AND a.source = s.source
 ORDER BY s.site, s.source;
