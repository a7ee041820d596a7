local total = 0
for k = 0, 1999 do
  local line = ""
  for i = 0, 99 do
    line = line .. "x" .. (i + k) .. " "
  end
  if line == "" then break end
  total = total + 1
end
return total
