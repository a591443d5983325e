-- Makes those versions the newest again that ended at a moment or later.
-- $1 text (site)
-- $2 text (drive)
-- $3 timestamp with time zone (moment)
UPDATE vaneward.episode SET known_until = NULL
 WHERE site = $1::text AND drive = $2::text AND known_until >= $3::timestamptz;
