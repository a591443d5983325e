-- Keeps a block of an hour or a day that cannot be unpacked, and was taken out.
-- $1 text (site)
-- $2 integer (fan)
-- $3 timestamp with time zone (beginning of its hour or day)
-- $4 timestamp with time zone (received)
-- $5 integer (how many readings it said to hold)
-- $6 bytea (its bytes)
-- $7 text (reason)
WITH told AS (
    INSERT INTO vaneward.set_aside (site, source, instance, received_at, reason)
    VALUES ($1::text, 'block', '', $4::timestamptz, format('block of fan %s from %s with %s readings: %s', $2::integer,
            to_char($3::timestamptz AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI"Z"'), $5::integer, $7::text)))
INSERT INTO vaneward.reading_damaged (site, fan_no, starts_at, received_at, readings, data, reason)
VALUES ($1::text, $2::integer, $3::timestamptz, $4::timestamptz, $5::integer, $6::bytea, $7::text);
