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
      FROM unnest($1::text[], $2::text[], $3::text[], $4::bigint[], $5::text[], $6::bigint[], $7::bigint[],
                  $8::bigint[], $9::timestamptz[], $10::bigint[])
           AS m (site, source, from_instance, from_sequence, instance, next_sequence, last_sequence, buffer_size,
                 contact_at, clock_offset_ms)
     WHERE c.site = m.site AND c.source = m.source
       AND c.instance = m.from_instance AND c.next_sequence = m.from_sequence
    RETURNING 1
)
SELECT vaneward.refuse_stale_cursors(moved, asked)
  FROM (SELECT count(*) AS moved, cardinality($1::text[]) AS asked FROM moved) AS counted
 WHERE moved < asked;
