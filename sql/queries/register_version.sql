-- A number that is another one after each change of what collectors read by.
-- -> version bigint
SELECT version FROM vaneward.register_version;
