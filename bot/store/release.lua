-- Give back growers that were claimed and not served, so that another sender takes them at once.
--
-- KEYS[1] the shard's due index        KEYS[2] the shard's leases
--
-- ARGV[1] now, epoch seconds           ARGV[2] when the leases end, epoch seconds
-- ARGV     then the numbers
--
-- Returns how many were given back. A lease that has been given up already, or is another's by now,
-- is left alone, and so is a due time that a text from the grower has moved meanwhile.
local given = 0
for place = 3, #ARGV do
  local number = ARGV[place]
  local lease = redis.call('ZSCORE', KEYS[2], number)
  if lease and tonumber(lease) == tonumber(ARGV[2]) then
    redis.call('ZREM', KEYS[2], number)
    local due = redis.call('ZSCORE', KEYS[1], number)
    if due and tonumber(due) == tonumber(ARGV[2]) then
      redis.call('ZADD', KEYS[1], ARGV[1], number)
    end
    given = given + 1
  end
end
return given
