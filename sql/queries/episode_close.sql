-- Ends the newest version of an episode.
-- $1 text (site)
-- $2 text (drive)
-- $3 text (fault)
-- $4 timestamp with time zone (began)
-- $5 timestamp with time zone (known until)
UPDATE vaneward.episode SET known_until = $5::timestamptz
 WHERE site = $1::text AND drive = $2::text AND fault = $3::text AND began_at = $4::timestamptz
   AND known_until IS NULL;
