-- All parts.
-- -> part text
-- -> description text
-- -> currency text
-- -> supersedes text
-- -> price_minor bigint (hundredths; -1: not known)
-- -> lead_time_days double precision
-- -> lead_time_sd_days double precision
-- -> order_multiple integer
-- -> minimum_order integer
-- -> last_order_on date
SELECT part, description, currency, supersedes, coalesce((unit_price * 100)::bigint, -1) AS price_minor,
       lead_time_days::double precision AS lead_time_days,
       lead_time_sd_days::double precision AS lead_time_sd_days,
       coalesce(order_multiple, 1) AS order_multiple, coalesce(minimum_order, 1) AS minimum_order, last_order_on
  FROM vaneward.part
 ORDER BY part COLLATE "C";
