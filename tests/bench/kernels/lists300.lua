local n = 300
local height, nxt = {}, {}
for i = 0, n - 1 do
  height[i], nxt[i] = {}, {}
  for j = 0, n - 1 do
    height[i][j] = ((i * 31 + j * 17) % 97) * 0.1
    nxt[i][j] = height[i][j]
  end
end
for turn = 1, 10 do
  for i = 1, n - 2 do
    for j = 1, n - 2 do
      nxt[i][j] = (height[i - 1][j] + height[i + 1][j] + height[i][j - 1] + height[i][j + 1]) * 0.25
    end
  end
  for i = 0, n - 1 do
    for j = 0, n - 1 do
      height[i][j] = nxt[i][j]
    end
  end
end
return height[150][150]
