-- Whoever waited for another one that made the same partition must see it then. What to_regclass answers may be from before the
-- wait; the catalog is read anew by each statement.
CREATE OR REPLACE FUNCTION vaneward.make_day_partition(parent text, day date) RETURNS void
LANGUAGE plpgsql AS $$
DECLARE
    leaf text := format('%s_%s', parent, to_char(day, 'YYYYMMDD'));
BEGIN
    IF EXISTS (SELECT FROM pg_catalog.pg_class WHERE relnamespace = 'vaneward'::regnamespace AND relname = leaf) THEN
        RETURN;
    END IF;
    PERFORM pg_advisory_xact_lock(hashtext('vaneward'), hashtext('partition'));
    IF NOT EXISTS (SELECT FROM pg_catalog.pg_class WHERE relnamespace = 'vaneward'::regnamespace AND relname = leaf) THEN
        EXECUTE format('CREATE TABLE vaneward.%I (LIKE vaneward.%I INCLUDING ALL)', leaf, parent);
        EXECUTE format('ALTER TABLE vaneward.%I ALTER data SET STORAGE EXTERNAL', leaf);
        EXECUTE format('ALTER TABLE vaneward.%I ATTACH PARTITION vaneward.%I FOR VALUES FROM (%L) TO (%L)',
                       parent, leaf, day::timestamp AT TIME ZONE 'UTC', (day + 1)::timestamp AT TIME ZONE 'UTC');
    END IF;
END $$;
