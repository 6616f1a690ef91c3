-- Make one turn true, all or nothing, if the grower's record is still the one that was read.
--
-- KEYS[1] the grower's record          KEYS[2] the shard's due index
-- KEYS[3] the shard's calls            KEYS[4] the shard's leases
-- KEYS[5] the reply to this text       (absent where no text is being answered)
--
-- ARGV[1] the version that was read, 8 bytes; empty if there was no record
-- ARGV[2] the new record, which begins with the next version
-- ARGV[3] the grower's number
-- ARGV[4] when the sender should next look at this grower, epoch seconds; empty for never
-- ARGV[5] since when a person should ring this grower, epoch seconds; empty for no need
-- ARGV[6] the lease given up by this commit, as its end was stored; empty to leave it
-- ARGV[7] the reply to keep            ARGV[8] for how many seconds
--
-- Returns 1, or 0 without writing anything when the record has changed meanwhile.

if redis.call('GETRANGE', KEYS[1], 0, 7) ~= ARGV[1] then
  return 0
end

-- The record first: if Redis refuses to write (full, read-only), it refuses here, before all else.
redis.call('SET', KEYS[1], ARGV[2])

if ARGV[4] == '' then
  redis.call('ZREM', KEYS[2], ARGV[3])
else
  redis.call('ZADD', KEYS[2], ARGV[4], ARGV[3])
end

-- NX keeps the first time: who has waited longest for a call is rung first.
if ARGV[5] == '' then
  redis.call('ZREM', KEYS[3], ARGV[3])
else
  redis.call('ZADD', KEYS[3], 'NX', ARGV[5], ARGV[3])
end

-- Only the sender that holds the lease may give it up; a lapsed one may be another's by now.
if ARGV[6] ~= '' then
  local lease = redis.call('ZSCORE', KEYS[4], ARGV[3])
  if lease and tonumber(lease) == tonumber(ARGV[6]) then
    redis.call('ZREM', KEYS[4], ARGV[3])
  end
end

if KEYS[5] then
  redis.call('SET', KEYS[5], ARGV[7], 'EX', ARGV[8])
end

return 1
