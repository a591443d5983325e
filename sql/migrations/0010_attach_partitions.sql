-- A partition is made beside its table and then attached. Made in place it would wait until nobody reads the table, for as
-- long as the longest report takes, and keep everybody else waiting meanwhile.
CREATE OR REPLACE FUNCTION vaneward.make_day_partition(parent text, day date) RETURNS void
LANGUAGE plpgsql AS $$
DECLARE
    leaf text := format('%s_%s', parent, to_char(day, 'YYYYMMDD'));
BEGIN
    IF to_regclass('vaneward.' || leaf) IS NOT NULL THEN
        RETURN;
    END IF;
    PERFORM pg_advisory_xact_lock(hashtext('vaneward'), hashtext('partition'));
    IF to_regclass('vaneward.' || leaf) IS NULL THEN
        EXECUTE format('CREATE TABLE vaneward.%I (LIKE vaneward.%I INCLUDING ALL)', leaf, parent);
        EXECUTE format('ALTER TABLE vaneward.%I ALTER data SET STORAGE EXTERNAL', leaf);
        EXECUTE format('ALTER TABLE vaneward.%I ATTACH PARTITION vaneward.%I FOR VALUES FROM (%L) TO (%L)',
                       parent, leaf, day::timestamp AT TIME ZONE 'UTC', (day + 1)::timestamp AT TIME ZONE 'UTC');
    END IF;
END $$;
