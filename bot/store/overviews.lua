-- Read what a shard's parts of some groups come to.
--
-- KEYS     three of each group, one after the other: its members, its growers to ring, its sums
--
-- ARGV[1]  the score below which a member is behind, as ZCOUNT takes it
--
-- Returns four things of each group: how many members, how many behind, how many to ring, and the
-- sums as names and counts in turn.
--
-- One call a shard, because an agent may look after many groups, each of which has a part in every
-- shard.
local answers = {}
for place = 1, #KEYS, 3 do
  answers[#answers + 1] = redis.call('ZCARD', KEYS[place])
  answers[#answers + 1] = redis.call('ZCOUNT', KEYS[place], '-inf', ARGV[1])
  answers[#answers + 1] = redis.call('ZCARD', KEYS[place + 1])
  answers[#answers + 1] = redis.call('HGETALL', KEYS[place + 2])
end
return answers
