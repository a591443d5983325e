-- Appends rows of packed readings to the part of the journal that is open, which stays open until the transaction ends.
-- $1 text[]    (site)
-- $2 timestamp with time zone[] (received)
-- $3 timestamp with time zone[] (newest moment among them)
-- $4 integer[] (how many)
-- $5 bytea[]   (packed readings)
WITH open AS MATERIALIZED (SELECT vaneward.journal_open_part() AS part)
INSERT INTO vaneward.journal (part, site, received_at, newest_at, readings, data)
SELECT open.part, r.site, r.received_at, r.newest_at, r.readings, r.data
  FROM open, unnest($1::text[], $2::timestamptz[], $3::timestamptz[], $4::integer[], $5::bytea[])
             AS r (site, received_at, newest_at, readings, data);
