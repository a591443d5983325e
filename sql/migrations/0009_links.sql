-- Whether what a source reads is connected: an agent can answer while the machine behind it does not.
CREATE INDEX device_event_item ON vaneward.device_event (site, source, item, role, received_at, sequence);

CREATE FUNCTION vaneward.link_down(of_site text, of_source text, as_of timestamptz) RETURNS text
LANGUAGE sql STABLE AS $$
SELECT string_agg(format('%s of %s says %s since %s', l.item, l.device, coalesce(l.value, 'UNAVAILABLE'),
                         to_char(l.occurred_at AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS"Z"')),
                  '; ' ORDER BY l.device, l.item)
  FROM (SELECT DISTINCT item FROM vaneward.binding
         WHERE site = of_site AND source = of_source AND role = 'availability') b
 CROSS JOIN LATERAL (SELECT e.device, e.item, e.value, e.occurred_at
                       FROM vaneward.device_event e
                      WHERE e.site = of_site AND e.source = of_source AND e.item = b.item AND e.role = 'availability'
                        AND e.received_at <= as_of
                      ORDER BY e.received_at DESC, e.sequence DESC LIMIT 1) l
 WHERE coalesce(l.value, '') NOT IN ('AVAILABLE', 'ESTABLISHED')
$$;
COMMENT ON FUNCTION vaneward.link_down(text, text, timestamptz) IS 'Which bound availabilities and connections of a source said, by a moment of receipt, that they are down, and since when; null: none';
