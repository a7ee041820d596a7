local function sum(a, b)
  return a + b
end
local x = 0.0
for i = 0, 2999999 do
  x = sum(x, i)
end
return x
