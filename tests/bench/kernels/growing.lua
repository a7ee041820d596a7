local total = 0.0
for turn = 1, 20 do
  local xs = {}
  for i = 0, 99999 do
    xs[#xs + 1] = i * 0.5
  end
  total = total + xs[100000]
end
return total
