-- Stores availability and power of devices; one that is there already stays as it is.
-- $1 text[] (site)
-- $2 text[] (source)
-- $3 text[] (instance)
-- $4 bigint[] (sequence)
-- $5 timestamp with time zone[] (received)
-- $6 timestamp with time zone[] (occurred)
-- $7 text[] (device)
-- $8 text[] (item)
-- $9 text[] (role)
-- $10 text[] (value)
INSERT INTO vaneward.device_event (site, source, instance, sequence, received_at, occurred_at, device, item, role, value)
SELECT *
  FROM unnest($1::text[], $2::text[], $3::text[], $4::bigint[], $5::timestamptz[], $6::timestamptz[], $7::text[],
              $8::text[], $9::text[], $10::text[])
    ON CONFLICT (site, source, instance, sequence) DO NOTHING;
