-- The scattered readings of the next range of fans, as they arrived.
-- $1 bigint (fan from which on)
-- -> to_fan bigint
-- -> data bytea
SELECT to_fan, data FROM vaneward.journal_scattered
 WHERE to_fan = (SELECT min(to_fan) FROM vaneward.journal_scattered WHERE to_fan > $1::bigint)
 ORDER BY row_no;
