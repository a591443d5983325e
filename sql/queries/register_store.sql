-- Inserts or updates rows of a register table by its primary key.
-- $1 text   (table)
-- $2 text[] (columns)
-- $3 text[] (rows, each the text of an array with one text a column)
-- -> added bigint
-- -> changed bigint
SELECT added, changed FROM vaneward.register_store($1::text, $2::text[], $3::text[]);
