-- Writes alerts of episodes whose newest state was not handed on yet: one a channel. What was first seen long after it
-- happened is left out. A version without began_at's episode any more (withdrawn) follows only what was handed on.
-- $1 text[] (channels)
-- $2 text[] (site)
-- $3 text[] (drive)
-- $4 text[] (fault)
-- $5 timestamp with time zone[] (began)
-- $6 timestamp with time zone[] (alarm)
-- $7 timestamp with time zone[] (ended)
-- $8 text[] (outcome)
-- $9 timestamp with time zone[] (known from)
-- $10 boolean[] (withdrawn)
-- $11 timestamp with time zone (now)
-- $12 timestamp with time zone (oldest change to hand on)
INSERT INTO vaneward.alert_outbox (site, drive, fault, began_at, version, channel, alert_id, event, alarm_at, ended_at,
                                   body, created_at, next_try_at)
SELECT e.site, e.drive, e.fault, e.began_at, news.version, channel.channel, id || '-' || news.version,
       news.event, e.alarm_at, e.ended_at,
       json_build_object(
           'id', id, 'version', news.version, 'event', news.event, 'site', e.site, 'machine', d.machine, 'machine_name', m.name,
           'location', m.location, 'cabinet_slot', d.cabinet_slot, 'drive', e.drive, 'fault', e.fault,
           'began_at', to_char(e.began_at, stamp), 'alarm_at', to_char(e.alarm_at, stamp),
           'ended_at', to_char(e.ended_at, stamp), 'outcome', e.outcome,
           'known_at', to_char(e.known_from, stamp))::text,
       $11::timestamptz, $11::timestamptz
  FROM unnest($2::text[], $3::text[], $4::text[], $5::timestamptz[], $6::timestamptz[], $7::timestamptz[], $8::text[],
              $9::timestamptz[], $10::boolean[])
       AS e (site, drive, fault, began_at, alarm_at, ended_at, outcome, known_from, withdrawn)
 CROSS JOIN unnest($1::text[]) AS channel (channel)
 CROSS JOIN (SELECT 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"' AS stamp) form
 CROSS JOIN LATERAL (SELECT left(encode(sha256(convert_to(
                        concat_ws(E'\n', e.site, e.drive, e.fault, extract(epoch FROM e.began_at)), 'UTF8')), 'hex'), 32)
                     AS id) identity
  LEFT JOIN vaneward.drive d ON d.site = e.site AND d.drive = e.drive
  LEFT JOIN vaneward.machine m ON m.machine = d.machine
  LEFT JOIN LATERAL (SELECT o.version, o.event, o.alarm_at, o.ended_at
                       FROM vaneward.alert_outbox o
                      WHERE o.site = e.site AND o.drive = e.drive AND o.fault = e.fault AND o.began_at = e.began_at
                        AND o.channel = channel.channel
                      ORDER BY o.version DESC LIMIT 1) last ON true
 CROSS JOIN LATERAL (SELECT coalesce(last.version, 0) + 1 AS version,
                            CASE WHEN e.withdrawn THEN 'withdrawn' WHEN e.ended_at IS NOT NULL THEN 'ended'
                                 WHEN e.alarm_at IS NOT NULL THEN 'alarm' ELSE 'opened' END AS event) news
 WHERE CASE WHEN e.withdrawn THEN last.event <> 'withdrawn'
            ELSE greatest(e.began_at, e.alarm_at, e.ended_at) >= $12::timestamptz
                 AND (last.event, last.alarm_at, last.ended_at) IS DISTINCT FROM (news.event, e.alarm_at, e.ended_at)
       END;
