-- The collectors, the alerts that wait, and the database itself.
-- $1 timestamp with time zone (now)
-- -> running bigint
-- -> lost text
-- -> lost_seen_at timestamp with time zone
-- -> clock_stepped_at timestamp with time zone
-- -> alerts_waiting bigint
-- -> alerts_oldest_at timestamp with time zone
-- -> alerts_error text
-- -> alerts_given_up bigint
-- -> schema_version integer
-- -> server_version text
-- -> database_now timestamp with time zone
SELECT c.running, c.lost, c.lost_seen_at, c.clock_stepped_at, a.waiting AS alerts_waiting,
       a.oldest_at AS alerts_oldest_at, a.error AS alerts_error, a.given_up AS alerts_given_up,
       (SELECT max(number) FROM vaneward.schema_version) AS schema_version,
       current_setting('server_version') AS server_version, clock_timestamp() AS database_now
  FROM (SELECT count(*) FILTER (WHERE seen_at > $1::timestamptz - interval '1 minute') AS running,
               max(collector) FILTER (WHERE seen_at <= $1::timestamptz - interval '1 minute') AS lost,
               max(seen_at) FILTER (WHERE seen_at <= $1::timestamptz - interval '1 minute') AS lost_seen_at,
               max(clock_stepped_at) AS clock_stepped_at
          FROM vaneward.collector) c,
       (SELECT count(*) FILTER (WHERE given_up_at IS NULL) AS waiting,
               min(created_at) FILTER (WHERE given_up_at IS NULL) AS oldest_at,
               max(last_error) FILTER (WHERE given_up_at IS NULL) AS error,
               count(*) FILTER (WHERE given_up_at > $1::timestamptz - interval '24 hours') AS given_up
          FROM vaneward.alert_outbox
         WHERE sent_at IS NULL) a;
