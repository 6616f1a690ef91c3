-- Read the first members of several sorted sets of a shard, as if they were one.
--
-- KEYS     the sorted sets
--
-- ARGV[1]  the least score    ARGV[2] the greatest    ARGV[3] how many members, -1 for all
--
-- Returns members and their scores in turn, by score; those of one score by name.
local most = tonumber(ARGV[3])

local function first(key)
  return redis.call('ZRANGEBYSCORE', key, ARGV[1], ARGV[2], 'WITHSCORES', 'LIMIT', 0, most)
end

if #KEYS == 1 then
  return first(KEYS[1])
end
local found = {}
for _, key in ipairs(KEYS) do
  local part = first(key)
  for place = 1, #part, 2 do
    found[#found + 1] = {part[place], part[place + 1], tonumber(part[place + 1])}
  end
end
table.sort(found, function(one, other)
  if one[3] ~= other[3] then
    return one[3] < other[3]
  end
  return one[1] < other[1]
end)
local answer = {}
for place = 1, most < 0 and #found or math.min(most, #found) do
  answer[#answer + 1] = found[place][1]
  answer[#answer + 1] = found[place][2]
end
return answer
