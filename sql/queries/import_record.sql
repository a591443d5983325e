-- Records that a file was imported; fails where it was before.
-- $1 text   (site)
-- $2 text   (its SHA-256)
-- $3 text   (path as given)
-- $4 timestamp with time zone (moment)
-- $5 bigint (rows of the site)
INSERT INTO vaneward.file_import (site, sha256, path, imported_at, rows)
VALUES ($1::text, $2::text, $3::text, $4::timestamptz, $5::bigint);
