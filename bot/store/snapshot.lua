-- Read keys of one shard, all at one moment.
--
-- KEYS     the keys
--
-- ARGV[1]  of how many keys, from the first, only the version is wanted: their first 8 bytes
--
-- Returns for each key its version, or else {type, expiry, value}: the expiry in epoch seconds
-- rounded to the nearest, 0 for never; the value as the type's own command lists it. A key that is
-- not there is of type "none".
local call = redis.call
local time = call('TIME')
local now = tonumber(time[1]) * 1000 + math.floor(tonumber(time[2]) / 1000)
local read = {
  string = function(key) return call('GET', key) end,
  list = function(key) return call('LRANGE', key, 0, -1) end,
  hash = function(key) return call('HGETALL', key) end,
  set = function(key) return call('SMEMBERS', key) end,
  zset = function(key) return call('ZRANGE', key, 0, -1, 'WITHSCORES') end,
  stream = function(key) return call('XRANGE', key, '-', '+') end,
}

local answers = {}
for place, key in ipairs(KEYS) do
  if place <= tonumber(ARGV[1]) then
    answers[place] = call('GETRANGE', key, 0, 7)
  else
    local kind = call('TYPE', key)['ok']
    if read[kind] then
      local left = call('PTTL', key)
      local expiry = left < 0 and 0 or math.floor((now + left) / 1000 + 0.5)
      answers[place] = {kind, expiry, read[kind](key)}
    else
      answers[place] = {'none', 0, ''}
    end
  end
end
return answers
