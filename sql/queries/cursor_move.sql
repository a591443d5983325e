-- Moves cursors, each from where it must stand to where it stands then; fails with SQLSTATE VS001 when one stands elsewhere.
-- $1 text[]   (site)
-- $2 text[]   (source)
-- $3 text[]   (instance that it must stand in)
-- $4 bigint[] (sequence that it must stand at)
-- $5 text[]   (new instance)
-- $6 bigint[] (new sequence)
-- $7 bigint[] (newest sequence that the source held; null: not said)
-- $8 bigint[] (observations that the source can hold; null: not said)
-- $9 timestamp with time zone[] (contact)
-- $10 bigint[] (publisher's clock minus ours in ms; null: not known)
WITH moved AS (
    UPDATE vaneward.source_cursor c
       SET instance = m.instance,
           next_sequence = m.next_sequence,
           last_sequence = coalesce(m.last_sequence, c.last_sequence),
           buffer_size = coalesce(m.buffer_size, c.buffer_size),
           last_contact_at = m.contact_at,
           clock_offset_ms = coalesce(m.clock_offset_ms, c.clock_offset_ms),
           failures = 0
      FROM (SELECT unnest($1::text[]) AS site, unnest($2::text[]) AS source, unnest($3::text[]) AS from_instance,
                   unnest($4::bigint[]) AS from_sequence, unnest($5::text[]) AS instance,
                   unnest($6::bigint[]) AS next_sequence, unnest($7::bigint[]) AS last_sequence,
                   unnest($8::bigint[]) AS buffer_size, unnest($9::timestamptz[]) AS contact_at,
                   unnest($10::bigint[]) AS clock_offset_ms) AS m
     WHERE c.site = m.site AND c.source = m.source
       AND c.instance = m.from_instance AND c.next_sequence = m.from_sequence
    RETURNING 1
)
SELECT vaneward.refuse_stale_cursors(moved, asked)
  FROM (SELECT count(*) AS moved, cardinality($1::text[]) AS asked FROM moved) AS counted
 WHERE moved < asked;
