local n = 1000000
local composite = {}
for i = 0, n - 1 do composite[i] = false end
local primes = 0
for i = 2, n - 1 do
  if not composite[i] then
    primes = primes + 1
    local j = i * i
    while j < n do
      composite[j] = true
      j = j + i
    end
  end
end
return primes
