-- What was learned from the fleet's own past, and how the forecasts of a replay of that past did. Of all sites of this
-- database together: a row belongs to no site.
CREATE TABLE vaneward.calibration (
    recorded_at   timestamptz PRIMARY KEY,
    as_of         timestamptz NOT NULL,
    method        text NOT NULL,
    terms         double precision[] NOT NULL,
    covariance    double precision[] NOT NULL,
    rival_hazards double precision[] NOT NULL,
    rival_errors  double precision[] NOT NULL,
    first_day     date,
    scored_day    date,
    last_day      date,
    dates         integer NOT NULL CHECK (dates >= 0),
    scored_dates  integer NOT NULL CHECK (scored_dates >= 0),
    drives        integer NOT NULL CHECK (drives >= 0),
    faults        integer NOT NULL CHECK (faults >= 0),
    called        integer NOT NULL CHECK (called >= 0),
    called_right  integer NOT NULL CHECK (called_right BETWEEN 0 AND called)
);
COMMENT ON TABLE vaneward.calibration IS 'How to make one probability of what the witnesses say, fitted to the replayed past; the newest known at the as-of of a report is used';
COMMENT ON COLUMN vaneward.calibration.recorded_at IS 'When it was worked out and became known';
COMMENT ON COLUMN vaneward.calibration.as_of IS 'End of the past that it is from';
COMMENT ON COLUMN vaneward.calibration.method IS 'The method that did best in the replay, and is used';
COMMENT ON COLUMN vaneward.calibration.terms IS 'Logs of the weights of the witnesses, departures of the spans, log of the power of the speed; order as in the reporter';
COMMENT ON COLUMN vaneward.calibration.covariance IS 'Covariance of the terms, row by row';
COMMENT ON COLUMN vaneward.calibration.rival_hazards IS 'Hazards of the three plain rules, by rule, class and span';
COMMENT ON COLUMN vaneward.calibration.rival_errors IS 'Standard errors of their logs, in the same order';
COMMENT ON COLUMN vaneward.calibration.first_day IS 'First date of the replay; null: the past is too short for any';
COMMENT ON COLUMN vaneward.calibration.scored_day IS 'First date that was scored; null: none';
COMMENT ON COLUMN vaneward.calibration.last_day IS 'Last date of the replay; null: none';
COMMENT ON COLUMN vaneward.calibration.dates IS 'How many dates were replayed';
COMMENT ON COLUMN vaneward.calibration.scored_dates IS 'How many of them were scored';
COMMENT ON COLUMN vaneward.calibration.drives IS 'How many drives the replay judged';
COMMENT ON COLUMN vaneward.calibration.faults IS 'How many fan faults these drives reported since their first date';
COMMENT ON COLUMN vaneward.calibration.called IS 'Drives given 50 % or more within 30 days in the last 90 days that are due, in the replay';
COMMENT ON COLUMN vaneward.calibration.called_right IS 'How many of them reported a fault within the 30 days';

CREATE TABLE vaneward.calibration_score (
    recorded_at  timestamptz NOT NULL REFERENCES vaneward.calibration,
    horizon_days integer NOT NULL CHECK (horizon_days > 0),
    method       text NOT NULL,
    forecasts    integer NOT NULL CHECK (forecasts >= 0),
    faults       integer NOT NULL CHECK (faults >= 0),
    lost         integer NOT NULL CHECK (lost >= 0),
    share        double precision,
    brier        double precision,
    reliability  double precision,
    resolution   double precision,
    skill        double precision,
    log_score    double precision,
    area         double precision,
    concordance  double precision,
    top          double precision,
    PRIMARY KEY (recorded_at, horizon_days, method)
);
COMMENT ON TABLE vaneward.calibration_score IS 'How the forecasts of each method did in the replay, by horizon';
COMMENT ON COLUMN vaneward.calibration_score.recorded_at IS 'The calibration that it belongs to';
COMMENT ON COLUMN vaneward.calibration_score.horizon_days IS 'Days that were looked ahead';
COMMENT ON COLUMN vaneward.calibration_score.method IS 'Combination, plain sum or one of the plain rules';
COMMENT ON COLUMN vaneward.calibration_score.forecasts IS 'Forecasts whose horizon has passed';
COMMENT ON COLUMN vaneward.calibration_score.faults IS 'Of them, those after which a fault came in time';
COMMENT ON COLUMN vaneward.calibration_score.lost IS 'Of them, those whose end was not seen, since a fan was replaced before';
COMMENT ON COLUMN vaneward.calibration_score.share IS 'Share after which a fault came, weighted for those that were lost';
COMMENT ON COLUMN vaneward.calibration_score.brier IS 'Brier score, 0 is best';
COMMENT ON COLUMN vaneward.calibration_score.reliability IS 'Part of the Brier score that is from probabilities that do not come true as said, 0 is best';
COMMENT ON COLUMN vaneward.calibration_score.resolution IS 'Part of the Brier score that is from telling cases apart, larger is better';
COMMENT ON COLUMN vaneward.calibration_score.skill IS '1 - Brier score over that of always saying the share; 1 is best';
COMMENT ON COLUMN vaneward.calibration_score.log_score IS 'Mean of minus the log of the probability of what came, nats';
COMMENT ON COLUMN vaneward.calibration_score.area IS 'Area under the curve: probability that a case with a fault was given more than one without';
COMMENT ON COLUMN vaneward.calibration_score.concordance IS 'Harrell''s concordance of risk and time to the fault, within dates';
COMMENT ON COLUMN vaneward.calibration_score.top IS 'Share with a fault among the top of each date''s ranking';

CREATE TABLE vaneward.calibration_tenth (
    recorded_at  timestamptz NOT NULL REFERENCES vaneward.calibration,
    horizon_days integer NOT NULL CHECK (horizon_days > 0),
    tenth        integer NOT NULL CHECK (tenth BETWEEN 0 AND 9),
    forecasts    integer NOT NULL CHECK (forecasts >= 0),
    forecast     double precision,
    observed     double precision,
    error        double precision,
    PRIMARY KEY (recorded_at, horizon_days, tenth)
);
COMMENT ON TABLE vaneward.calibration_tenth IS 'Forecasts of the method that is used, by tenths of the scale of probability, beside what came in the replay';
COMMENT ON COLUMN vaneward.calibration_tenth.recorded_at IS 'The calibration that it belongs to';
COMMENT ON COLUMN vaneward.calibration_tenth.horizon_days IS 'Days that were looked ahead';
COMMENT ON COLUMN vaneward.calibration_tenth.tenth IS 'Probabilities from tenth / 10 up to the next';
COMMENT ON COLUMN vaneward.calibration_tenth.forecasts IS 'How many there were';
COMMENT ON COLUMN vaneward.calibration_tenth.forecast IS 'Mean probability; null: none';
COMMENT ON COLUMN vaneward.calibration_tenth.observed IS 'Share with a fault; null: none';
COMMENT ON COLUMN vaneward.calibration_tenth.error IS '95 % sampling error of observed - forecast if the forecasts are right; null: none';
