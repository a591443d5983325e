-- Stores how one method did at one horizon.
-- $1 timestamp with time zone (recorded)
-- $2 integer                  (horizon, days)
-- $3 text                     (method)
-- $4 integer                  (forecasts)
-- $5 integer                  (faults)
-- $6 integer                  (lost)
-- $7 double precision         (share)
-- $8 double precision         (Brier score)
-- $9 double precision         (reliability)
-- $10 double precision        (resolution)
-- $11 double precision        (skill)
-- $12 double precision        (log score)
-- $13 double precision        (area under the curve)
-- $14 double precision        (concordance)
-- $15 double precision        (share among the top)
INSERT INTO vaneward.calibration_score (recorded_at, horizon_days, method, forecasts, faults, lost, share, brier,
                                        reliability, resolution, skill, log_score, area, concordance, top)
VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15);
