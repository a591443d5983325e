-- Keeps what could not be read or used, with the reason.
-- $1 text[] (site)
-- $2 text[] (source)
-- $3 text[] (instance)
-- $4 bigint[] (sequence; null: not readable)
-- $5 timestamp with time zone[] (received)
-- $6 text[] (item; null: not readable)
-- $7 text[] (reason)
INSERT INTO vaneward.set_aside (site, source, instance, sequence, received_at, item, reason)
SELECT *
  FROM unnest($1::text[], $2::text[], $3::text[], $4::bigint[], $5::timestamptz[], $6::text[], $7::text[]);
