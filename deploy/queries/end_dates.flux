// When each safe working period ends, as likely before as after; the soonest first.
from(bucket: "cranes")
  |> range(start: -30d)
  |> filter(fn: (r) => r._measurement == "crane_use" and r._field == "end_p50_seconds")
  |> group(columns: ["crane", "mechanism"])
  |> last()
  |> map(fn: (r) => ({crane: r.crane, mechanism: r.mechanism, ends: time(v: r._value * 1000000000)}))
  |> group()
  |> sort(columns: ["ends"])
