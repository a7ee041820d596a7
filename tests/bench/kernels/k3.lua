local sqrt = math.sqrt
local n = 1000
local facets = {}
for i = 0, n - 1 do
  facets[i + 1] = {
    in_scan = ((i * 37) % 101) * 0.1 - 5.0,
    cross_scan = ((i * 53) % 89) * 0.05 - 2.0,
  }
end
local total = 0.0
for turn = 1, 1000 do
  local sum_in, sum_cross = 0.0, 0.0
  for i = 1, n do
    sum_in = sum_in + facets[i].in_scan
    sum_cross = sum_cross + facets[i].cross_scan
  end
  local mean_in = sum_in / n
  local mean_cross = sum_cross / n
  for i = 1, n do
    facets[i].in_scan = facets[i].in_scan - mean_in
    facets[i].cross_scan = facets[i].cross_scan - mean_cross
  end
  local square = 0.0
  for i = 1, n do
    local a = facets[i].in_scan
    local b = facets[i].cross_scan
    square = square + (a * a + b * b)
  end
  total = total + sqrt(square / n)
end
return total
