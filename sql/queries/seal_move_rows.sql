-- Moves journal rows of hours that are not closed into the open part, as they are.
-- $1 text (site)
-- $2 integer (part)
-- $3 bigint[] (order of arrival)
-- $4 text[] (where the row lies)
WITH gone AS (
    DELETE FROM vaneward.journal j
     USING unnest($3::bigint[], $4::text[]) AS k (journal_no, lies_at)
     WHERE j.part = $2::integer AND j.site = $1::text AND j.journal_no = k.journal_no AND j.ctid = k.lies_at::tid
    RETURNING j.site, j.journal_no, j.received_at, j.newest_at, j.readings, j.data)
INSERT INTO vaneward.journal (site, journal_no, received_at, newest_at, readings, data) OVERRIDING SYSTEM VALUE
SELECT site, journal_no, received_at, newest_at, readings, data FROM gone;
