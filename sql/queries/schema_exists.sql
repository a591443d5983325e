-- Whether this database has the table that records the steps of the schema.
-- -> known boolean
SELECT to_regclass('vaneward.schema_version') IS NOT NULL AS known;
