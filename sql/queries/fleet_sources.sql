-- Sources with their last contact and the gaps recorded by a moment. The cursor holds only the newest state:
-- what happened to it after the moment is left out, not dated back.
-- $1 timestamp with time zone (as of)
-- -> site text
-- -> source text
-- -> last_contact_at timestamp with time zone
-- -> failures integer
-- -> last_error text
-- -> gaps integer
-- -> link_down text
SELECT s.site, s.source,
       CASE WHEN c.last_contact_at <= $1::timestamptz THEN c.last_contact_at END AS last_contact_at,
       CASE WHEN c.last_error_at <= $1::timestamptz THEN c.failures ELSE 0 END AS failures,
       CASE WHEN c.last_error_at <= $1::timestamptz AND c.failures > 0 THEN c.last_error END AS last_error,
       (SELECT count(*)::integer FROM vaneward.gap g
         WHERE g.site = s.site AND g.source = s.source AND g.recorded_at <= $1::timestamptz) AS gaps,
       vaneward.link_down(s.site, s.source, $1::timestamptz) AS link_down
  FROM vaneward.source s LEFT JOIN vaneward.source_cursor c USING (site, source)
 ORDER BY s.site COLLATE "C", s.source COLLATE "C";
