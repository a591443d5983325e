-- The things that the register has, of the kinds asked for.
-- $1 text[] (kinds: names of the register's files)
-- -> kind text
-- -> key text
-- -> position text (of a fan)
-- -> site text
-- -> belongs_to text (model of a drive; drive of an axis; part that a part supersedes)
-- -> machine text (of a drive or axis)
-- -> number bigint (internal fans of a drive model; number of a fan)
-- -> replaced_at timestamp with time zone (of a fan: its last replacement)
SELECT 'sites' AS kind, site::text AS key, NULL::text AS position, site::text AS site, NULL::text AS belongs_to,
       NULL::text AS machine, NULL::bigint AS number, NULL::timestamptz AS replaced_at
  FROM vaneward.site WHERE 'sites' = ANY ($1::text[])
UNION ALL
SELECT 'machines', machine, NULL, site, NULL, NULL, NULL, NULL
  FROM vaneward.machine WHERE 'machines' = ANY ($1::text[])
UNION ALL
SELECT 'drive_models', drive_model, NULL, NULL, NULL, NULL, internal_fans, NULL
  FROM vaneward.drive_model WHERE 'drive_models' = ANY ($1::text[])
UNION ALL
SELECT 'drives', drive, NULL, site, drive_model, machine, NULL, NULL
  FROM vaneward.drive WHERE 'drives' = ANY ($1::text[])
UNION ALL
SELECT 'axes', axis, NULL, site, drive, machine, NULL, NULL
  FROM vaneward.axis WHERE 'axes' = ANY ($1::text[])
UNION ALL
SELECT 'parts', part, NULL, NULL, supersedes, NULL, NULL, NULL
  FROM vaneward.part WHERE 'parts' = ANY ($1::text[])
UNION ALL
SELECT 'fan_models', fan_model, NULL, NULL, NULL, NULL, NULL, NULL
  FROM vaneward.fan_model WHERE 'fan_models' = ANY ($1::text[])
UNION ALL
SELECT 'fans', f.drive, f.position, f.site, NULL, NULL, f.fan_no, w.replaced_at
  FROM vaneward.fan f
  LEFT JOIN (SELECT site, drive, position, max(done_at) AS replaced_at
               FROM vaneward.work WHERE action = 'replaced' GROUP BY site, drive, position) w
       USING (site, drive, position)
 WHERE 'fans' = ANY ($1::text[])
UNION ALL
SELECT 'sources', source, NULL, site, NULL, NULL, NULL, NULL
  FROM vaneward.source WHERE 'sources' = ANY ($1::text[]);
