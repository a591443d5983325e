-- The newest calibration that was known at a moment; no row: none.
-- $1 timestamp with time zone (as of)
-- -> recorded_at timestamp with time zone
-- -> as_of timestamp with time zone
-- -> method text
-- -> terms double precision[]
-- -> covariance double precision[]
-- -> rival_hazards double precision[]
-- -> rival_errors double precision[]
-- -> first_day date
-- -> scored_day date
-- -> last_day date
-- -> dates integer
-- -> scored_dates integer
-- -> drives integer
-- -> faults integer
-- -> called integer
-- -> called_right integer
SELECT recorded_at, as_of, method, terms, covariance, rival_hazards, rival_errors, first_day, scored_day, last_day, dates,
       scored_dates, drives, faults, called, called_right
  FROM vaneward.calibration
 WHERE recorded_at <= $1::timestamptz
 ORDER BY recorded_at DESC LIMIT 1;
