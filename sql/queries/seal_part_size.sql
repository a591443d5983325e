-- How much a site has in a part of the journal, and how high its fans are numbered.
-- $1 text (site)
-- $2 integer (part)
-- -> readings bigint
-- -> highest_fan integer
SELECT coalesce(sum(readings), 0)::bigint AS readings,
       (SELECT max(f.fan_no) FROM vaneward.fan f WHERE f.site = $1::text) AS highest_fan
  FROM vaneward.journal
 WHERE part = $2::integer AND site = $1::text;
