-- What waits in the journal.
-- -> rows bigint
-- -> readings bigint
-- -> oldest_at timestamp with time zone
SELECT count(*) AS rows, coalesce(sum(readings), 0)::bigint AS readings, min(received_at) AS oldest_at
  FROM vaneward.journal_waiting;
