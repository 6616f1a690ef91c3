-- Hand out growers whose time has come, each to one sender only, until its lease ends.
--
-- KEYS[1] the shard's due index        KEYS[2] the shard's leases
--
-- ARGV[1] now, epoch seconds           ARGV[2] when these leases end, epoch seconds
-- ARGV[3] how many growers at most
--
-- Returns the numbers claimed, the longest due first.
--
-- A lease is kept apart from the due time because a text from the grower moves the due time
-- while a sender is at work; the lease still keeps a second sender away.
--
-- A lease that ends later than any can was given by a clock that ran ahead and has been put right.
-- It counts as lapsed, or the grower would hear nothing until that clock's time has come. Clocks of
-- senders may differ by a lease's length.

local latest = ARGV[1] + 2 * (ARGV[2] - ARGV[1])
for _, number in ipairs(redis.call('ZRANGEBYSCORE', KEYS[2], '(' .. latest, '+inf')) do
  redis.call('ZREM', KEYS[2], number)
  redis.call('ZADD', KEYS[1], 'XX', ARGV[1], number)
end
local claimed = {}
for _, number in ipairs(redis.call('ZRANGEBYSCORE', KEYS[1], '-inf', ARGV[1], 'LIMIT', 0, ARGV[3])) do
  local lease = redis.call('ZSCORE', KEYS[2], number)
  if lease and tonumber(lease) > tonumber(ARGV[1]) then
    redis.call('ZADD', KEYS[1], lease, number)
  else
    redis.call('ZADD', KEYS[1], ARGV[2], number)
    redis.call('ZADD', KEYS[2], ARGV[2], number)
    claimed[#claimed + 1] = number
  end
end
return claimed
