-- All places for fans, drive by drive; bound says whether some source reports the speed.
-- -> drive text
-- -> position text
-- -> fan_no integer
-- -> fan_model text
-- -> installed_on date
-- -> hours_at_install double precision
-- -> bound boolean
SELECT f.drive, f.position, f.fan_no, f.fan_model, f.installed_on,
       f.hours_at_install::double precision AS hours_at_install,
       EXISTS (SELECT FROM vaneward.binding b
                WHERE b.site = f.site AND b.drive = f.drive AND b.position = f.position AND b.role = 'fan_speed') AS bound
  FROM vaneward.fan f
 ORDER BY f.drive COLLATE "C", f.position COLLATE "C";
