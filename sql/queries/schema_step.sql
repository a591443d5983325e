-- What the database knows of one step of the schema.
-- $1 integer (number of the step)
-- $2 text    (its text in this program)
-- -> checksum text  (of the text in this program)
-- -> applied text   (checksum of the text that was applied; null: not applied)
SELECT encode(sha256(convert_to($2::text, 'UTF8')), 'hex') AS checksum,
       (SELECT v.checksum FROM vaneward.schema_version v WHERE v.number = $1::integer) AS applied;
