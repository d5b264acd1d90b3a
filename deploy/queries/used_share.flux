// Used share of all cranes, the most used first. 1 is the whole safe working period.
from(bucket: "cranes")
  |> range(start: -30d)
  |> filter(fn: (r) => r._measurement == "crane_use" and r._field == "consumed")
  |> group(columns: ["crane", "mechanism"])
  |> last()
  |> group()
  |> sort(columns: ["_value"], desc: true)
  |> keep(columns: ["crane", "mechanism", "_value", "_time"])
