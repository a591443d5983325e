-- Puts readings that are not yet to be sealed into the open part of the journal, with their old place in the order.
-- $1 text (site)
-- $2 bigint (order of arrival)
-- $3 timestamp with time zone (received)
-- $4 timestamp with time zone (newest moment among them)
-- $5 integer (how many)
-- $6 bytea (packed readings)
INSERT INTO vaneward.journal (site, journal_no, received_at, newest_at, readings, data) OVERRIDING SYSTEM VALUE
VALUES ($1::text, $2::bigint, $3::timestamptz, $4::timestamptz, $5::integer, $6::bytea);
