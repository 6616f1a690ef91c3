-- Read what a shard's growers come to, if they are all in these groups.
--
-- KEYS[1]  the marks of the shard's groups       KEYS[2]  the sums of all of them
--
-- ARGV[1]  the name of the sum of the marks of all groups, among their sums
-- ARGV     then the names of the groups
--
-- Returns the sums as names and counts in turn; or nothing where the shard has another group, or
-- where the sums are not those of all groups, as a version that did not keep them has written.
--
-- What a commit adds to the mark of a group it adds to the mark of all, so that the one is the sum
-- of the others. That is looked at in their last nine digits, which Lua's numbers hold exactly.
local call = redis.call
local digits = 10 ^ 9

local function last(mark)
  return tonumber(string.sub(mark, -9))
end

local wanted = {}
for place = 2, #ARGV do
  wanted[ARGV[place]] = true
end
local expected, mark, answer = 0, 0, {}
local marks = call('HGETALL', KEYS[1])
for place = 1, #marks, 2 do
  if not wanted[marks[place]] then
    return false
  end
  expected = expected + last(marks[place + 1])
end
local sums = call('HGETALL', KEYS[2])
for place = 1, #sums, 2 do
  if sums[place] == ARGV[1] then
    mark = last(sums[place + 1])
  else
    answer[#answer + 1] = sums[place]
    answer[#answer + 1] = sums[place + 1]
  end
end
return expected % digits == mark and answer
