//! What was judged, held against one judging of the raw rows.

use anyhow::{Result, ensure};
use gillbook_core::kinds::ExcursionKind;
use sqlx::{Connection, PgConnection};

use crate::Farm;

impl Farm {
    /// Forgets everything that was judged of the fridge, judges it once more from the raw readings, and holds the two together bit by
    /// bit. `but` are kinds of excursions that are left out: those that go on with the clock.
    ///
    /// # Errors
    /// When they are not the same, or too few to tell.
    pub async fn ensure_evaluated_as_once(&self, but: &[ExcursionKind]) -> Result<()> {
        let mut db = PgConnection::connect_with(&self.admin).await?;
        self.get("/api/excursions").await;
        let stored = judged(&mut db, but).await?;
        let (hours, excursions): (i64, i64) =
            sqlx::query_as("select (select count(*) from hourly_figure), (select count(*) from excursion)")
                .fetch_one(&mut db)
                .await?;
        ensure!(hours > 0 && excursions > 0, "too little to tell: {hours} hours, {excursions} excursions");
        let forget = "delete from hourly_figure; delete from notice; delete from excursion;
             insert into dirty_range select farm_id, 'F1', false, min(at), max(at) from reading group by farm_id
                 on conflict (farm_id, place, leased) do update set from_at = excluded.from_at";
        sqlx::raw_sql(forget).execute(&mut db).await?;
        self.get("/api/excursions").await;
        let once = judged(&mut db, but).await?;
        ensure!(once == stored, "judged once: {once:#?}\nas it came: {stored:#?}");
        Ok(())
    }
}

async fn judged(db: &mut PgConnection, but: &[ExcursionKind]) -> Result<Vec<String>> {
    let but: Vec<&str> = but.iter().map(|kind| kind.as_str()).collect();
    let sql = "select to_jsonb(h)::text from hourly_figure h union all
               select (to_jsonb(e) - 'excursion_id' - 'judged_at')::text from excursion e where withdrawn_at is null and kind <> all ($1)
               order by 1";
    Ok(sqlx::query_scalar(sql).bind(but).fetch_all(db).await?)
}
