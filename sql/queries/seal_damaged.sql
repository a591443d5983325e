-- Sets journal rows aside that cannot be unpacked.
-- $1 text (site)
-- $2 integer (part)
-- $3 bigint[] (order of arrival)
-- $4 text[] (where the row lies)
-- $5 text[] (reason)
WITH gone AS (
    DELETE FROM vaneward.journal j
     USING unnest($3::bigint[], $4::text[], $5::text[]) AS k (journal_no, lies_at, reason)
     WHERE j.part = $2::integer AND j.site = $1::text AND j.journal_no = k.journal_no AND j.ctid = k.lies_at::tid
    RETURNING j.site, j.journal_no, j.received_at, j.newest_at, j.readings, j.data, k.reason),
told AS (
    INSERT INTO vaneward.set_aside (site, source, instance, received_at, reason)
    SELECT site, 'journal', '', received_at, format('journal row %s with %s readings: %s', journal_no, readings, reason) FROM gone)
INSERT INTO vaneward.journal_damaged (site, journal_no, received_at, newest_at, readings, data, reason)
SELECT site, journal_no, received_at, newest_at, readings, data, reason FROM gone;
