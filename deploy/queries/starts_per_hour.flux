// Busiest clock hour of the last 7 days: starts against the value of the mechanism's group. 1 is all of it.
starts =
  from(bucket: "cranes")
    |> range(start: -7d)
    |> filter(fn: (r) => r._measurement == "crane_use" and r._field == "starts")
    |> group(columns: ["crane", "mechanism"])
    |> difference()
    |> max()
    |> keep(columns: ["crane", "mechanism", "_value"])

limits =
  from(bucket: "cranes")
    |> range(start: -30d)
    |> filter(fn: (r) => r._measurement == "crane_use" and r._field == "starts_per_hour_limit")
    |> group(columns: ["crane", "mechanism"])
    |> last()
    |> keep(columns: ["crane", "mechanism", "_value"])

join(tables: {starts: starts, limits: limits}, on: ["crane", "mechanism"])
  |> map(fn: (r) => ({r with share: float(v: r._value_starts) / float(v: r._value_limits)}))
  |> group()
  |> sort(columns: ["share"], desc: true)
