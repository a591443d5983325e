-- When a file was imported; no row: never.
-- $1 text (its SHA-256)
-- -> imported_at timestamp with time zone
SELECT min(imported_at) AS imported_at FROM vaneward.file_import WHERE sha256 = $1::text HAVING count(*) > 0;
