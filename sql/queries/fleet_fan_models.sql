-- All fan models.
-- -> fan_model text
-- -> part text
-- -> rated_rpm double precision
-- -> warning_rpm double precision
-- -> l10_hours double precision
-- -> l10_temperature_c double precision
SELECT fan_model, part, rated_rpm::double precision AS rated_rpm, warning_rpm::double precision AS warning_rpm,
       l10_hours::double precision AS l10_hours, l10_temperature_c::double precision AS l10_temperature_c
  FROM vaneward.fan_model
 ORDER BY fan_model COLLATE "C";
