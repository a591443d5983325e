-- All journal rows of a site in a part, as they arrived.
-- $1 text (site)
-- $2 integer (part)
-- -> journal_no bigint
-- -> received_at timestamp with time zone
-- -> data bytea
SELECT journal_no, received_at, data FROM vaneward.journal
 WHERE part = $2::integer AND site = $1::text ORDER BY journal_no;
