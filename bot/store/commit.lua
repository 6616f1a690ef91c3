-- Make turns true, each all or nothing, if the record it was worked out from still stands.
--
-- KEYS     every key that is written, all of one shard; the turns name them again
-- ARGV[1]  the turns, in msgpack
--
-- A turn is {record's key, version, writes, lease}:
--   version  the version that was read, 8 bytes; empty if there was no record
--   writes   commands in order, each {command, key, value ...}; HINCRBY may have another key at its
--            end, to which the same is added
--   lease    {leases' key, number, end} to give up, or absent
--
-- Returns a 1 for each turn, or a 0 where the record has changed meanwhile and nothing was done.
--
-- The first write is the record: if Redis refuses to write (full, read-only), it refuses there.
-- Counts are added up over all turns and written last, as many turns count the same.
local call = redis.call
local answers, counts, expiries = {}, {}, {}
for place, turn in ipairs(cmsgpack.unpack(ARGV[1])) do
  if call('GETRANGE', turn[1], 0, 7) ~= turn[2] then
    answers[place] = 0
  else
    for _, write in ipairs(turn[3]) do
      local command, key = write[1], write[2]
      if command == 'HINCRBY' then
        local sums = counts[key] or {}
        counts[key] = sums
        sums[write[3]] = (sums[write[3]] or 0) + write[4]
        local other = write[5]
        if other then
          local others = counts[other] or {}
          counts[other] = others
          others[write[3]] = (others[write[3]] or 0) + write[4]
        end
      elseif command == 'EXPIRE' then
        expiries[key] = write[3]
      else
        call(unpack(write))
      end
    end
    -- Only the sender that holds the lease may give it up; a lapsed one may be another's by now.
    local lease = turn[4]
    if lease then
      local held = call('ZSCORE', lease[1], lease[2])
      if held and tonumber(held) == lease[3] then
        call('ZREM', lease[1], lease[2])
      end
    end
    answers[place] = 1
  end
end
for key, sums in pairs(counts) do
  for name, count in pairs(sums) do
    -- A count that has come to nothing goes, so that a forgotten grower leaves no trace.
    if count ~= 0 and call('HINCRBY', key, name, count) == 0 then
      call('HDEL', key, name)
    end
  end
end
for key, seconds in pairs(expiries) do
  call('EXPIRE', key, seconds)
end
return answers
