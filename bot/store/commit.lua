-- Make turns true, each all or nothing, if the record it was worked out from still stands.
--
-- KEYS     every key that is written, all of one shard
-- ARGV     first the turns, in msgpack, then every value they use; keys and values are named by
--          their places here
--
-- A turn is {record's key, version, writes, lease}:
--   version  the version that was read, 8 bytes; empty if there was no record
--   writes   commands in order, each {command, key, value ...}
--   lease    {leases' key, number, end} to give up, or absent
--
-- Returns a 1 for each turn, or a 0 where the record has changed meanwhile and nothing was done.
--
-- The first write is the record: if Redis refuses to write (full, read-only), it refuses there.
local answers = {}
for place, turn in ipairs(cmsgpack.unpack(ARGV[1])) do
  if redis.call('GETRANGE', KEYS[turn[1]], 0, 7) ~= ARGV[turn[2]] then
    answers[place] = 0
  else
    for _, write in ipairs(turn[3]) do
      write[2] = KEYS[write[2]]
      for value = 3, #write do
        write[value] = ARGV[write[value]]
      end
      local answer = redis.call(unpack(write))
      -- A count that has come to nothing goes, so that a forgotten grower leaves no trace.
      if write[1] == 'HINCRBY' and answer == 0 then
        redis.call('HDEL', write[2], write[3])
      end
    end
    -- Only the sender that holds the lease may give it up; a lapsed one may be another's by now.
    local lease = turn[4]
    if lease then
      local held = redis.call('ZSCORE', KEYS[lease[1]], ARGV[lease[2]])
      if held and tonumber(held) == tonumber(ARGV[lease[3]]) then
        redis.call('ZREM', KEYS[lease[1]], ARGV[lease[2]])
      end
    end
    answers[place] = 1
  end
end
return answers
