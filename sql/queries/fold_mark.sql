-- Marks the new conditions of a drive as taken into account; the earliest receipt among them, null when there are none.
-- $1 text (site)
-- $2 text (drive)
-- -> received_at timestamp with time zone
WITH marked AS (
    UPDATE vaneward.condition SET folded = true
     WHERE site = $1::text AND drive = $2::text AND NOT folded
    RETURNING received_at
)
SELECT min(received_at) AS received_at FROM marked;
