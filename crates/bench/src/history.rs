//! Years of minute readings for four probes, judged as they would have been.

use anyhow::Result;
use chrono::{DateTime, Utc};
use gillbook_store::FarmId;

use crate::service::Service;

/// Fills a farm's fridge with years of readings up to now, and judges them.
pub async fn fill(service: &Service, farm: FarmId, years: i32, now: DateTime<Utc>) -> Result<()> {
    service.fleet(farm.0..=farm.0, 4, now - chrono::TimeDelta::days(i64::from(years) * 366)).await?;
    let mut db = service.db().await?;
    for year in (0..years).rev() {
        let (from, until) = (
            now - chrono::TimeDelta::days(365 * i64::from(year + 1)),
            now - chrono::TimeDelta::days(365 * i64::from(year)),
        );
        sqlx::query("select ensure_reading_partitions($1, $2)").bind(from).bind(until).execute(&mut db).await?;
        // A compressor's saw tooth, a defrost every eight hours, a warm hour every ten days.
        sqlx::query(
            "insert into reading (farm_id, probe_id, at, value_c, received_at)
             select $1, p, t, 2 + abs(extract(minute from t) % 24 - 12) / 10 + p / 10.0
                              + case when extract(hour from t) % 8 = 0 and extract(minute from t) < 15 then 3 else 0 end
                              + case when extract(day from t) % 10 = 5 and extract(hour from t) = 3 then 9 else 0 end, t
               from generate_series(date_trunc('minute', $2::timestamptz), date_trunc('minute', $3::timestamptz) - interval '1 second', interval '1 minute') t,
                    generate_series(1, 4) p",
        )
        .bind(farm.0)
        .bind(from)
        .bind(until)
        .execute(&mut db)
        .await?;
        println!("    farm {}: year {} of {years} is in", farm.0, years - year);
    }
    sqlx::query("insert into dirty_range select $1, 'F1', false, min(at), max(at) from reading where farm_id = $1")
        .bind(farm.0)
        .execute(&mut db)
        .await?;
    service.store.evaluate_place(farm, &"F1".parse().map_err(anyhow::Error::msg)?, now).await?;
    sqlx::raw_sql("analyze").execute(&mut db).await?;
    println!("    farm {}: judged", farm.0);
    Ok(())
}
