-- Some drives with conditions that their episodes do not take into account yet.
-- $1 integer (at most so many)
-- -> site text
-- -> drive text
SELECT DISTINCT site::text, drive::text
  FROM vaneward.condition
 WHERE NOT folded AND drive IS NOT NULL
 ORDER BY site, drive
 LIMIT $1::integer;
