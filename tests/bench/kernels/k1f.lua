local x = 0.0
for i = 0, 4999999 do
  x = x + i * 0.5 - x / 3.0
end
return x
