local function dot(a, b)
  local sum = 0.0
  for i = 1, #a do
    sum = sum + a[i] * b[i]
  end
  return sum
end
local a = {1.0, 2.0, 3.0}
local b = {0.5, 0.25, 0.125}
local total = 0.0
for i = 1, 1000000 do
  total = total + dot(a, b)
end
return total
