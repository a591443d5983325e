-- A batch moves the cursors of all its sources or is not stored at all, and that is decided here: so it can be sent in
-- one piece.
CREATE FUNCTION vaneward.refuse_stale_cursors(stood_there bigint, asked bigint) RETURNS void
LANGUAGE plpgsql AS $$
BEGIN
    RAISE SQLSTATE 'VS001' USING MESSAGE = format('%s of %s cursors stand where they are expected', stood_there, asked);
END $$;
COMMENT ON FUNCTION vaneward.refuse_stale_cursors(bigint, bigint) IS 'Ends a transaction that would store what is stored already, with SQLSTATE VS001';

-- A cursor moves with every answer of its source: half of each page is left free, so that the new version of
-- a row finds room beside the old one and no index is touched; vacuum comes early, before the pages fill up.
ALTER TABLE vaneward.source_cursor SET (
    autovacuum_vacuum_threshold = 500, autovacuum_vacuum_scale_factor = 0.2,
    autovacuum_analyze_threshold = 500, autovacuum_analyze_scale_factor = 1,
    autovacuum_vacuum_cost_delay = 0
);
