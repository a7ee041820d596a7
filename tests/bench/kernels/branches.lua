local function limited(x, low, high)
  if x < low then
    return low
  end
  if x > high then
    return high
  end
  return x
end
local x = 0.0
for i = 0, 1999999 do
  x = x + limited(i * 0.5 - x, -2.0, 3.0)
end
return x
