-- All sites.
-- -> site text
-- -> name text (the key where there is none)
-- -> time_zone text
-- -> paper text
-- -> email text
-- -> lockout_procedure text
SELECT site, coalesce(name, site::text) AS name, time_zone, paper, email, lockout_procedure
  FROM vaneward.site
 ORDER BY site COLLATE "C";
