-- Axes whose drive is known, drive by drive.
-- -> drive text
-- -> axis text
SELECT drive, axis
  FROM vaneward.axis
 WHERE drive IS NOT NULL
 ORDER BY drive COLLATE "C", axis COLLATE "C";
