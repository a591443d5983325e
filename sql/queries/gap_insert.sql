-- Records spans in which observations were lost.
-- $1 text[] (site)
-- $2 text[] (source)
-- $3 text[] (instance)
-- $4 bigint[] (first sequence lost; null: not known)
-- $5 bigint[] (first sequence not lost; null: not known)
-- $6 timestamp with time zone[] (beginning; null: not known)
-- $7 timestamp with time zone[] (end)
-- $8 text[] (reason)
-- $9 timestamp with time zone[] (noticed)
INSERT INTO vaneward.gap (site, source, instance, from_sequence, to_sequence, from_at, to_at, reason, recorded_at)
SELECT *
  FROM unnest($1::text[], $2::text[], $3::text[], $4::bigint[], $5::bigint[], $6::timestamptz[], $7::timestamptz[],
              $8::text[], $9::timestamptz[]);
