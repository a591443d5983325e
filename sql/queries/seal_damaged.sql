-- Sets a journal row aside that cannot be unpacked.
-- $1 integer (part)
-- $2 text (site)
-- $3 bigint (order of arrival)
-- $4 bytea (its bytes)
-- $5 text (reason)
WITH gone AS (
    DELETE FROM vaneward.journal WHERE part = $1::integer AND site = $2::text AND journal_no = $3::bigint AND data = $4::bytea
    RETURNING site, journal_no, received_at, newest_at, readings, data),
told AS (
    INSERT INTO vaneward.set_aside (site, source, instance, received_at, reason)
    SELECT site, 'journal', '', received_at, format('journal row %s with %s readings: %s', journal_no, readings, $5::text) FROM gone)
INSERT INTO vaneward.journal_damaged (site, journal_no, received_at, newest_at, readings, data, reason)
SELECT site, journal_no, received_at, newest_at, readings, data, $5::text FROM gone;
