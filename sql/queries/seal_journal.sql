-- Some journal rows of a site in a part, as they arrived, from behind one of them on.
-- $1 text (site)
-- $2 integer (part)
-- $3 bigint (order of arrival of the row before)
-- $4 text (where that row lies)
-- $5 integer (at most so many)
-- -> journal_no bigint
-- -> received_at timestamp with time zone
-- -> lies_at text
-- -> data bytea
SELECT journal_no, received_at, ctid::text AS lies_at, data FROM vaneward.journal
 WHERE part = $2::integer AND site = $1::text AND (journal_no, ctid) > ($3::bigint, $4::text::tid)
 ORDER BY journal_no, ctid LIMIT $5::integer;
