-- Deletes journal rows that are sealed.
-- $1 text (site)
-- $2 bigint[] (their numbers)
DELETE FROM vaneward.journal WHERE site = $1::text AND journal_no = ANY ($2::bigint[]);
