-- Notes that a try to hand on an alert failed.
-- $1 text (site)
-- $2 text (drive)
-- $3 text (fault)
-- $4 timestamp with time zone (began)
-- $5 integer (version)
-- $6 text (channel)
-- $7 timestamp with time zone (next try)
-- $8 timestamp with time zone (given up; null: not)
-- $9 text (why)
UPDATE vaneward.alert_outbox SET next_try_at = $7::timestamptz, given_up_at = $8::timestamptz, last_error = $9::text
 WHERE site = $1::text AND drive = $2::text AND fault = $3::text AND began_at = $4::timestamptz
   AND version = $5::integer AND channel = $6::text;
