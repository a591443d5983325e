-- The site of a fan and its number there.
-- $1 text (drive)
-- $2 text (position)
-- -> site text
-- -> fan_no integer
SELECT site, fan_no FROM vaneward.fan WHERE drive = $1::text AND position = $2::text;
