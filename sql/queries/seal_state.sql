-- What the sealer finds in the journal, and how far it has come.
-- $1 timestamp with time zone (all readings before this moment are of closed hours)
-- $2 timestamp with time zone (rows received before are sealed in any case)
-- -> moves bigint
-- -> closed_part integer
-- -> site text
-- -> before_at timestamp with time zone
-- -> until_at timestamp with time zone
-- -> fan_no bigint
-- -> scattered_fans bigint
-- -> next_site text
-- -> holds_sealed boolean
-- -> open_is_due boolean
-- -> day_site text
-- -> day_fan_no integer
-- -> raw_from date
SELECT s.moves, 1 - s.open_part AS closed_part, s.site, s.before_at, s.until_at, s.fan_no,
       CASE WHEN EXISTS (SELECT FROM vaneward.journal_scattered) THEN s.scattered_fans ELSE 0 END AS scattered_fans,
       (SELECT j.site::text FROM vaneward.journal j
         WHERE j.part = 1 - s.open_part AND (j.site > s.site OR (j.site = s.site AND NOT s.is_done))
         ORDER BY j.site LIMIT 1) AS next_site,
       EXISTS (SELECT FROM vaneward.journal j WHERE j.part = 1 - s.open_part) AS holds_sealed,
       EXISTS (SELECT FROM vaneward.journal j
                WHERE j.part = s.open_part AND (j.newest_at < $1::timestamptz OR j.received_at < $2::timestamptz)) AS open_is_due,
       s.day_site, s.day_fan_no, s.raw_from
  FROM vaneward.journal_state s;
