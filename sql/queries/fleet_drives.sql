-- All drives.
-- -> drive text
-- -> machine text
-- -> drive_model text
-- -> cabinet_slot text
-- -> serial text
-- -> waiting_time_min double precision
-- -> obstructed boolean
-- -> warning_hidden boolean
SELECT drive, machine, drive_model, cabinet_slot, serial, waiting_time_min::double precision AS waiting_time_min,
       obstructed, warning_hidden
  FROM vaneward.drive
 ORDER BY drive COLLATE "C";
