-- All drive models.
-- -> drive_model text
-- -> description text
-- -> reports_speed boolean
-- -> internal_fans integer
-- -> warning_to_alarm_s double precision
SELECT drive_model, description, reports_speed, internal_fans,
       warning_to_alarm_s::double precision AS warning_to_alarm_s
  FROM vaneward.drive_model
 ORDER BY drive_model COLLATE "C";
