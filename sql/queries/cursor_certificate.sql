-- Notes until when the certificates of sources are valid.
-- $1 text[] (site)
-- $2 text[] (source)
-- $3 timestamp with time zone[] (end of the certificate)
INSERT INTO vaneward.source_cursor AS c (site, source, certificate_expires_at)
SELECT f.site, f.source, f.certificate_expires_at
  FROM unnest($1::text[], $2::text[], $3::timestamptz[]) AS f (site, source, certificate_expires_at)
 WHERE EXISTS (SELECT FROM vaneward.source s WHERE s.site = f.site AND s.source = f.source)
    ON CONFLICT (site, source) DO UPDATE SET certificate_expires_at = excluded.certificate_expires_at;
