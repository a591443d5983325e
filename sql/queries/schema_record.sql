-- Records that a step of the schema was applied.
-- $1 integer (number of the step)
-- $2 text    (its name)
-- $3 text    (its text)
INSERT INTO vaneward.schema_version (number, name, checksum)
VALUES ($1::integer, $2::text, encode(sha256(convert_to($3::text, 'UTF8')), 'hex'));
