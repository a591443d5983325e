-- Takes alerts that are due, the oldest first and those of one episode one after the other, and puts off their next
-- try until a try that was broken off can be repeated.
-- $1 text (channel)
-- $2 integer (at most so many)
-- $3 timestamp with time zone (now)
-- $4 timestamp with time zone (not again before)
-- -> site text
-- -> drive text
-- -> fault text
-- -> began_at timestamp with time zone
-- -> version integer
-- -> tries integer
-- -> created_at timestamp with time zone
-- -> alert_id text
-- -> event text
-- -> body text
WITH due AS (
    SELECT o.ctid AS place
      FROM vaneward.alert_outbox o
     WHERE o.channel = $1::text AND o.sent_at IS NULL AND o.given_up_at IS NULL AND o.next_try_at <= $3::timestamptz
       AND NOT EXISTS (SELECT FROM vaneward.alert_outbox b
                        WHERE b.site = o.site AND b.drive = o.drive AND b.fault = o.fault AND b.began_at = o.began_at
                          AND b.channel = o.channel AND b.version < o.version
                          AND b.sent_at IS NULL AND b.given_up_at IS NULL)
     ORDER BY o.next_try_at
     LIMIT $2::integer
       FOR UPDATE SKIP LOCKED
)
UPDATE vaneward.alert_outbox o SET tries = tries + 1, next_try_at = $4::timestamptz
  FROM due
 WHERE o.ctid = due.place
RETURNING o.site::text, o.drive::text, o.fault, o.began_at, o.version, o.tries, o.created_at, o.alert_id, o.event,
          o.body;
