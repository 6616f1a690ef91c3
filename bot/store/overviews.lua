-- Read what a shard's parts of some groups come to, by bundles of groups.
--
-- KEYS[1]  the marks of the shard's groups
-- KEYS     then three of each group, one after the other: its members, its growers to ring, its sums
--
-- ARGV[1]  the score below which a member is behind, as ZCOUNT takes it
-- ARGV     then of each bundle: how many groups, the mark under which its sums are known ('' if they
--          are not, '-' if they are not wanted), and the names of its groups
--
-- Returns five things of each bundle: how many members, how many behind, how many to ring, the mark,
-- and the sums as names and counts in turn, or nothing where they are known or not wanted.
--
-- Some groups a call, because an agent may look after many, each of which has a part in every shard.
local call = redis.call

-- A bundle's mark is another whenever that of one of its groups is; '' where none has any.
local function marked(names)
  local marks, any = call('HMGET', KEYS[1], unpack(names)), false
  for place = 1, #names do
    any = any or marks[place]
    marks[place] = marks[place] or ''
  end
  if #names == 1 or not any then
    return marks[1]
  end
  return redis.sha1hex(table.concat(marks, ' '))
end

local function added(keys)
  if #keys == 1 then
    return call('HGETALL', keys[1])
  end
  local sums, answer = {}, {}
  for _, key in ipairs(keys) do
    local counted = call('HGETALL', key)
    for place = 1, #counted, 2 do
      local name = counted[place]
      sums[name] = (sums[name] or 0) + counted[place + 1]
    end
  end
  for name, count in pairs(sums) do
    answer[#answer + 1] = name
    answer[#answer + 1] = count
  end
  return answer
end

local answers, key, argument = {}, 2, 2
while ARGV[argument] do
  local many, known = tonumber(ARGV[argument]), ARGV[argument + 1]
  local size, behind, to_ring, names, sums = 0, 0, 0, {}, {}
  for place = 1, many do
    size = size + call('ZCARD', KEYS[key])
    behind = behind + call('ZCOUNT', KEYS[key], '-inf', ARGV[1])
    to_ring = to_ring + call('ZCARD', KEYS[key + 1])
    sums[place] = KEYS[key + 2]
    names[place] = ARGV[argument + 1 + place]
    key = key + 3
  end
  argument = argument + 2 + many
  local mark = known ~= '-' and marked(names) or ''
  answers[#answers + 1] = size
  answers[#answers + 1] = behind
  answers[#answers + 1] = to_ring
  answers[#answers + 1] = mark
  answers[#answers + 1] = known ~= '-' and (mark == '' or mark ~= known) and added(sums)
end
return answers
