-- Takes back what was known of a drive's episodes at a moment and later.
-- $1 text (site)
-- $2 text (drive)
-- $3 timestamp with time zone (moment)
DELETE FROM vaneward.episode WHERE site = $1::text AND drive = $2::text AND known_from >= $3::timestamptz;
