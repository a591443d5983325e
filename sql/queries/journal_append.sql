-- Appends packed readings to the journal.
-- $1 text                     (site)
-- $2 timestamp with time zone (received)
-- $3 timestamp with time zone (newest moment among them)
-- $4 integer                  (how many)
-- $5 bytea                    (packed readings)
INSERT INTO vaneward.journal (site, received_at, newest_at, readings, data)
VALUES ($1::text, $2::timestamptz, $3::timestamptz, $4::integer, $5::bytea);
