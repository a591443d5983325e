-- A collector learns by one number whether it must read the register again.
CREATE TABLE vaneward.register_version (
    version bigint NOT NULL
);
COMMENT ON TABLE vaneward.register_version IS 'How often the part of the register that collectors read by was written; one row';
COMMENT ON COLUMN vaneward.register_version.version IS 'Grows with every statement that writes sites, sources, bindings, fans, axes or drives';
INSERT INTO vaneward.register_version (version) VALUES (1);
GRANT SELECT ON vaneward.register_version TO PUBLIC; -- whoever may use the schema

-- It needs no rights of those who write the register.
CREATE FUNCTION vaneward.count_register_version() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog AS $$
BEGIN
    UPDATE vaneward.register_version SET version = version + 1;
    RETURN NULL;
END $$;
COMMENT ON FUNCTION vaneward.count_register_version() IS 'Tells collectors that the register was written';

DO $$
DECLARE
    t text;
BEGIN
    FOREACH t IN ARRAY ARRAY['site', 'source', 'binding', 'fan', 'axis', 'drive'] LOOP
        EXECUTE format('CREATE TRIGGER count_register_version AFTER INSERT OR UPDATE OR DELETE OR TRUNCATE'
                       ' ON vaneward.%I FOR EACH STATEMENT EXECUTE FUNCTION vaneward.count_register_version()', t);
        EXECUTE format('ALTER TABLE vaneward.%I ENABLE ALWAYS TRIGGER count_register_version', t);
    END LOOP;
END $$;
