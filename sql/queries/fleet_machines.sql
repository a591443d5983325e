-- All machines.
-- -> machine text
-- -> site text
-- -> name text (the key where there is none)
-- -> location text
-- -> controller text
-- -> asset_number text
-- -> currency text
-- -> lockout_procedure text
-- -> stop_cost_per_hour double precision
-- -> stop_hours double precision
SELECT machine, site, coalesce(name, machine::text) AS name, location, controller, asset_number, currency,
       lockout_procedure, stop_cost_per_hour::double precision AS stop_cost_per_hour,
       stop_hours::double precision AS stop_hours
  FROM vaneward.machine
 ORDER BY machine COLLATE "C";
