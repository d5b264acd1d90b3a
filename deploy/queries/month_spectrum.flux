// Load spectrum of the last 30 days: running hours by band, in percent of the rated load. The sums never fall, so the
// use of a span is the largest less the smallest.
from(bucket: "cranes")
  |> range(start: -30d)
  |> filter(fn: (r) => r._measurement == "crane_spectrum" and r._field == "running_hours")
  |> group(columns: ["crane", "mechanism", "band"])
  |> spread()
  |> group(columns: ["crane", "mechanism"])
  |> sort(columns: ["band"])
