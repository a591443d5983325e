-- What the collector may reach for a source, how it makes sure of the other end, and how long that end's certificate lasts.
ALTER TABLE vaneward.site ADD COLUMN networks text;
COMMENT ON COLUMN vaneward.site.networks IS 'Address ranges (CIDR, separated by blanks) in which its sources must lie; null: any but link-local, multicast and loopback that the address of the source does not name';

ALTER TABLE vaneward.source ADD COLUMN ca_file text, ADD COLUMN pinned_key text;
COMMENT ON COLUMN vaneward.source.ca_file IS 'File on the collector''s machine with the certificates that alone are trusted for it; null: those of the system';
COMMENT ON COLUMN vaneward.source.pinned_key IS 'SHA-256 of the public key that it must show, as sha256//base64; null: any key with a good certificate';

ALTER TABLE vaneward.source_cursor ADD COLUMN certificate_expires_at timestamp with time zone;
COMMENT ON COLUMN vaneward.source_cursor.certificate_expires_at IS 'When the certificate ends that it showed at the newest TLS connection; null: none seen';
