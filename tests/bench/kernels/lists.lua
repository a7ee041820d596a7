local n = 60
local a, b, c = {}, {}, {}
for i = 0, n - 1 do
  a[i], b[i], c[i] = {}, {}, {}
  for j = 0, n - 1 do
    a[i][j] = ((i * 7 + j * 3) % 11) * 0.5
    b[i][j] = ((i * 5 + j * 2) % 13) * 0.25
    c[i][j] = 0.0
  end
end
for turn = 1, 10 do
  for i = 0, n - 1 do
    for j = 0, n - 1 do
      local sum = 0.0
      for k = 0, n - 1 do
        sum = sum + a[i][k] * b[k][j]
      end
      c[i][j] = sum
    end
  end
end
return c[7][11] + c[59][59]
