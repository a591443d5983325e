-- Notes that an alert was taken.
-- $1 text (site)
-- $2 text (drive)
-- $3 text (fault)
-- $4 timestamp with time zone (began)
-- $5 integer (version)
-- $6 text (channel)
-- $7 timestamp with time zone (now)
UPDATE vaneward.alert_outbox SET sent_at = $7::timestamptz, last_error = NULL
 WHERE site = $1::text AND drive = $2::text AND fault = $3::text AND began_at = $4::timestamptz
   AND version = $5::integer AND channel = $6::text;
