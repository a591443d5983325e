-- The conditions of a drive that are marked, in the order in which they take effect: by time, but within one instance of
-- a source by sequence, also where its clock was set back. Imported files count as one source, their lines by time.
-- kind is null where the code map does not know the code. A list of what was active follows the last report that it covers.
-- $1 text (site)
-- $2 text (drive)
-- -> received_at timestamp with time zone
-- -> occurred_at timestamp with time zone
-- -> item text
-- -> item_type text
-- -> state text
-- -> native_code text
-- -> condition_id text
-- -> qualifier text
-- -> kind text
-- -> listed text
SELECT c.received_at, c.occurred_at,
       CASE WHEN is_file THEN 'file' ELSE c.source END || E'\t' || c.device || E'\t' || c.item AS item, c.item_type,
       c.state, c.native_code, c.condition_id, c.qualifier, m.kind,
       CASE WHEN c.state = 'listed' THEN c.message END AS listed
  FROM (SELECT *, source LIKE 'file:%' AS is_file,
               CASE WHEN source LIKE 'file:%' THEN occurred_at
                    ELSE max(occurred_at) OVER (PARTITION BY source, instance ORDER BY sequence)
               END AS effective_at
          FROM vaneward.condition
         WHERE site = $1::text AND drive = $2::text AND folded) c
  LEFT JOIN vaneward.machine k ON k.machine = c.machine
  LEFT JOIN vaneward.code_map m ON m.controller = k.controller AND m.native_code = c.native_code
 ORDER BY c.effective_at, c.source, c.received_at, c.instance, c.sequence,
          c.state = 'listed';
