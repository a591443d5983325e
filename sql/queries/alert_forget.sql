-- Deletes alerts of episodes about which nothing was handed on since a moment.
-- $1 timestamp with time zone (moment)
DELETE FROM vaneward.alert_outbox WHERE created_at < $1::timestamptz AND coalesce(sent_at, given_up_at) < $1::timestamptz;
