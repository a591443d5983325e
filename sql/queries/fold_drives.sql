-- All drives that conditions were ever reported of.
-- -> site text
-- -> drive text
SELECT DISTINCT site::text, drive::text
  FROM vaneward.condition
 WHERE drive IS NOT NULL
 ORDER BY site, drive;
