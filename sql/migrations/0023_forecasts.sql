-- Forecasts that stood in a pack, to be scored once their horizon has passed.
CREATE TABLE vaneward.forecast (
    site         vaneward.plant_key NOT NULL,
    drive        vaneward.plant_key NOT NULL,
    issued_at    timestamptz NOT NULL,
    horizon_days integer NOT NULL CHECK (horizon_days > 0),
    probability  double precision NOT NULL CHECK (probability BETWEEN 0 AND 1),
    lower        double precision NOT NULL,
    upper        double precision NOT NULL,
    action       text NOT NULL,
    method       text NOT NULL,
    calibrated_at timestamptz,
    recorded_at  timestamptz NOT NULL,
    PRIMARY KEY (site, drive, issued_at, horizon_days)
);
COMMENT ON TABLE vaneward.forecast IS 'What a pack said of each drive that it ranked; the drive may leave the register later';
COMMENT ON COLUMN vaneward.forecast.site IS 'Site of the drive';
COMMENT ON COLUMN vaneward.forecast.drive IS 'The drive';
COMMENT ON COLUMN vaneward.forecast.issued_at IS 'The as-of of the pack';
COMMENT ON COLUMN vaneward.forecast.horizon_days IS 'Days that it looked ahead';
COMMENT ON COLUMN vaneward.forecast.probability IS 'Of a fan fault being reported within the horizon';
COMMENT ON COLUMN vaneward.forecast.lower IS 'Lower limit of the probability';
COMMENT ON COLUMN vaneward.forecast.upper IS 'Upper limit of the probability';
COMMENT ON COLUMN vaneward.forecast.action IS 'What the pack said to do';
COMMENT ON COLUMN vaneward.forecast.method IS 'How the probability was made';
COMMENT ON COLUMN vaneward.forecast.calibrated_at IS 'The calibration that was used; null: none';
COMMENT ON COLUMN vaneward.forecast.recorded_at IS 'When it was stored';
CREATE INDEX forecast_issued ON vaneward.forecast (issued_at);
