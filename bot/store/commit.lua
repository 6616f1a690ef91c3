-- Make turns true, each all or nothing, if the record it was worked out from still stands.
--
-- KEYS     every key that is written, all of one shard; the turns name them again
-- ARGV[1]  {turns, sums, mark} in msgpack
--
-- A turn is {key, version, record, writes, sum, lease}:
--   key      the record's
--   version  the version that was read, 8 bytes; empty if there was no record
--   record   what it is to become; empty if it is to be deleted
--   writes   commands in order, each {command, key, value ...}
--   sum      which of the sums it counts; 0 for none
--   lease    {leases' key, number, end} to give up, or absent
--
-- A sum is what many turns count alike: a list of {key, name, count, other}, where a count of 0
-- stands for the mark, and other, where there is one, is a key to which the same is added.
--
-- Returns a 1 for each turn, or a 0 where the record has changed meanwhile and nothing was done.
--
-- The record is written first: if Redis refuses to write (full, read-only), it refuses there.
-- Counts are added up over all turns and written last, and so are members of sorted sets: most
-- turns write to the same few, and a call for each would take longer than all else here.
local call = redis.call
local turns, sums, mark = unpack(cmsgpack.unpack(ARGV[1]))
local answers, times, counts, members, expiries = {}, {}, {}, {}, {}

local function add(key, name, count)
  local theirs = counts[key] or {}
  counts[key] = theirs
  theirs[name] = (theirs[name] or 0) + count
end

for place, turn in ipairs(turns) do
  local record = turn[1]
  if call('GETRANGE', record, 0, 7) ~= turn[2] then
    answers[place] = 0
  else
    if turn[3] ~= '' then
      call('SET', record, turn[3])
    else
      call('DEL', record)
    end
    for _, write in ipairs(turn[4]) do
      local command, key = write[1], write[2]
      if command == 'HINCRBY' then
        add(key, write[3], write[4])
      elseif command == 'ZADD' and #write == 4 then
        local theirs = members[key] or {}
        members[key] = theirs
        theirs[#theirs + 1] = write[3]
        theirs[#theirs + 1] = write[4]
      elseif command == 'EXPIRE' then
        expiries[key] = write[3]
      else
        call(unpack(write))
      end
    end
    local sum = turn[5]
    times[sum] = (times[sum] or 0) + 1
    -- Only the sender that holds the lease may give it up; a lapsed one may be another's by now.
    local lease = turn[6]
    if lease then
      local held = call('ZSCORE', lease[1], lease[2])
      if held and tonumber(held) == lease[3] then
        call('ZREM', lease[1], lease[2])
      end
    end
    answers[place] = 1
  end
end
for key, theirs in pairs(members) do
  call('ZADD', key, unpack(theirs))
end
for place, sum in ipairs(sums) do
  for _, each in ipairs(times[place] and sum or {}) do
    local count = (each[3] == 0 and mark or each[3]) * times[place]
    add(each[1], each[2], count)
    if each[4] then
      add(each[4], each[2], count)
    end
  end
end
for key, theirs in pairs(counts) do
  for name, count in pairs(theirs) do
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
