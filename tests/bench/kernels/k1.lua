local x = 0.0
local i = 0.0
while i < 5000000.0 do
  x = x + i * 0.5 - x / 3.0
  i = i + 1.0
end
return x
