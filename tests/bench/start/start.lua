-- Twenty lines with nothing to wait for.
local speed = 4800 / 60
local length = 0.3048
local plan = { line_rate = speed * 10, dots = math.floor(length * 300 / 0.0254 + 0.5) }
local heights = { 1e-6, 2e-6, 3e-6, 4e-6 }
local total = 0
for _, h in ipairs(heights) do
  total = total + h
end
local function twice(x)
  return x + x
end
local doubled = twice(total)
if doubled > 10e-6 then
  print("doubled", doubled)
end
assert(total <= 20e-6)
assert(plan.line_rate > 700)
print("dots", plan.dots)
print("speed " .. speed * 60 .. " rpm")
