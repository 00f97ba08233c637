"""The due points of the benchmark's fleet from a columnar SQL engine: prints "THREADS SECONDS POINTS MILES LAST_DAY" for one thread and for two.

The file has a line for each service: motorcycle, rule, miles, days ago. Every motorcycle has all twenty rules; each counts from when it
was last done, else from the day in service, by distance, months, or both, as tests/load/fleet.rs makes them. The best of seven counts, and
the sums alone are fetched, so that nothing is paid for handing over a million rows.
"""

import sys
import time

import duckdb

db = duckdb.connect()
db.execute(
    "create table done as select column0 as bike, column1 as rule, column2 as miles, date '2026-06-01' - column3::int as day from read_csv(?, header = false)",
    [sys.argv[1]],
)
db.execute("create table bike as select bike, min(day) - 40 as day from done group by bike")
db.execute(
    """create table rule as select nth as rule,
         case when nth % 3 < 2 then 3000 + 1000 * (nth % 7) end as miles,
         case when nth % 3 <> 1 then 6 + nth end as months
       from range(20) as t(nth)"""
)
points = """
    with last as (select bike, rule, max(miles) as miles, max(day) as day from done group by bike, rule)
    select count(*), sum(coalesce(last.miles, 0) + rule.miles), max(coalesce(last.day, bike.day) + to_months(rule.months::int))
    from bike cross join rule left join last on last.bike = bike.bike and last.rule = rule.rule
"""
for threads in (1, 2):
    db.execute(f"set threads = {threads}")
    best = float("inf")
    for _ in range(7):
        begun = time.perf_counter()
        count, miles, day = db.execute(points).fetchone()
        best = min(best, time.perf_counter() - begun)
    print(threads, f"{best:.4f}", count, miles, str(day)[:10])
