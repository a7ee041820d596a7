local inside = 0
for py = 0, 239 do
  local y0 = py / 120 - 1
  for px = 0, 319 do
    local x0 = px / 128 - 1.75
    local x, y, turns = 0.0, 0.0, 0
    while x * x + y * y < 4 and turns < 100 do
      local t = x * x - y * y + x0
      y = 2 * x * y + y0
      x = t
      turns = turns + 1
    end
    inside = inside + turns
  end
end
return inside
