-- The oldest journal rows of one site that are to be sealed.
-- $1 timestamp with time zone (all readings before this moment are of closed hours)
-- $2 timestamp with time zone (rows received before are taken in any case)
-- $3 bigint (rows with at most about so many readings)
-- -> site text
-- -> journal_no bigint
-- -> received_at timestamp with time zone
-- -> data bytea
SELECT j.site::text, j.journal_no, j.received_at, j.data
  FROM (SELECT *, sum(readings) OVER (ORDER BY journal_no) - readings AS readings_before
          FROM vaneward.journal
         WHERE site = (SELECT site FROM vaneward.journal
                        WHERE newest_at < $1::timestamptz OR received_at < $2::timestamptz
                        ORDER BY site LIMIT 1)
           AND (newest_at < $1::timestamptz OR received_at < $2::timestamptz)) j
 WHERE j.readings_before < $3::bigint
 ORDER BY j.journal_no;
