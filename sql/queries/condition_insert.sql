-- Stores conditions; one that is there already stays as it is.
-- $1 text[]  (site)
-- $2 text[]  (source)
-- $3 text[]  (instance)
-- $4 bigint[] (sequence)
-- $5 timestamp with time zone[] (received)
-- $6 timestamp with time zone[] (occurred)
-- $7 text[]  (device)
-- $8 text[]  (item)
-- $9 text[]  (item type)
-- $10 text[] (state)
-- $11 text[] (native code)
-- $12 text[] (condition id)
-- $13 text[] (severity)
-- $14 text[] (qualifier)
-- $15 text[] (message)
-- $16 text[] (machine)
-- $17 text[] (drive)
-- $18 text[] (axis)
INSERT INTO vaneward.condition (site, source, instance, sequence, received_at, occurred_at, device, item, item_type,
                                state, native_code, condition_id, severity, qualifier, message, machine, drive, axis)
SELECT *
  FROM unnest($1::text[], $2::text[], $3::text[], $4::bigint[], $5::timestamptz[], $6::timestamptz[], $7::text[],
              $8::text[], $9::text[], $10::text[], $11::text[], $12::text[], $13::text[], $14::text[], $15::text[],
              $16::text[], $17::text[], $18::text[])
    ON CONFLICT (site, source, instance, sequence, device, item, state) DO NOTHING;
