-- The newest step of the schema that was applied; 0 for none.
-- -> newest integer
SELECT coalesce(max(number), 0) AS newest FROM vaneward.schema_version;
