-- Read what a shard's parts of some groups come to.
--
-- KEYS[1]  the marks of the shard's groups
-- KEYS     then three of each group, one after the other: its members, its growers to ring, its sums
--
-- ARGV[1]  the score below which a member is behind, as ZCOUNT takes it
-- ARGV     then two of each group: its name, and the mark under which its sums are known, or ''
--
-- Returns five things of each group: how many members, how many behind, how many to ring, the mark,
-- and the sums as names and counts in turn, or nothing where they are known.
--
-- One call a shard, because an agent may look after many groups, each of which has a part in every
-- shard.
local answers = {}
for place = 2, #KEYS, 3 do
  local argument = (place - 2) / 3 * 2 + 2
  local mark = redis.call('HGET', KEYS[1], ARGV[argument]) or ''
  answers[#answers + 1] = redis.call('ZCARD', KEYS[place])
  answers[#answers + 1] = redis.call('ZCOUNT', KEYS[place], '-inf', ARGV[1])
  answers[#answers + 1] = redis.call('ZCARD', KEYS[place + 1])
  answers[#answers + 1] = mark
  answers[#answers + 1] = (mark == '' or mark ~= ARGV[argument + 1])
    and redis.call('HGETALL', KEYS[place + 2])
end
return answers
