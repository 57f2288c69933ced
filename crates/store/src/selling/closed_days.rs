//! Days on which the farm delivers nothing.

use std::collections::BTreeSet;

use chrono::NaiveDate;
use gillbook_core::{
    refusal::{Refusal, RefusalKind},
    selling::{
        standing_order::{ClosedDay, ensure_closed_day},
        standing_schedule::{HORIZON, MAX_MOVE},
    },
    text::Text,
    units::calendar::Day,
};

use crate::{Pagination, Result, Tx, heads::Heads};

impl Tx {
    /// Writes down a day on which nothing is delivered. Orders that follow standing orders go with it.
    ///
    /// # Errors
    /// Refuses a day that is past, far ahead, or there already.
    #[tracing::instrument(level = "debug", name = "store.selling.add_closed_day", skip_all, fields(farm_id = self.farm.0))]
    pub async fn add_closed_day(&mut self, new: &ClosedDay) -> Result<ClosedDay> {
        let day = new.day.0;
        ensure_closed_day(day, self.farm_day().await?)?;
        self.lock_closed_days(true).await?;
        let done = sqlx::query!(
            "insert into closed_day (farm_id, day, name) values ($1, $2, $3) on conflict do nothing",
            self.farm.0,
            day,
            new.name.as_str()
        )
        .execute(&mut *self.db)
        .await?;
        if done.rows_affected() == 0 {
            return Err(Refusal::new(RefusalKind::AlreadyThere, format!("{day} is a closed day already."))
                .at("/day")
                .into());
        }
        self.update_orders_of(None).await?;
        Ok(new.clone())
    }

    /// Takes a closed day back. Standing orders have their deliveries again.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.selling.remove_closed_day", skip_all, fields(farm_id = self.farm.0))]
    pub async fn remove_closed_day(&mut self, day: NaiveDate) -> Result<()> {
        self.lock_closed_days(true).await?;
        let done = sqlx::query!("delete from closed_day where farm_id = $1 and day = $2", self.farm.0, day)
            .execute(&mut *self.db)
            .await?;
        if done.rows_affected() == 0 {
            return Err(Refusal::not_found("closed day", day).into());
        }
        self.update_orders_of(None).await?;
        Ok(())
    }

    /// Holds the closed days as they are until the transaction ends, behind the farm's weeks: together with others that make orders by them, or alone to change them.
    pub(super) async fn lock_closed_days(&mut self, alone: bool) -> Result<()> {
        self.lock(&Heads::default()).await?;
        sqlx::query!("select lock_list($1, 'closed_day', $2)", self.farm.0, alone).execute(&mut *self.db).await?;
        Ok(())
    }

    /// Closed days from a day on, by day.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.closed_days", skip_all, fields(farm_id = self.farm.0))]
    pub async fn closed_days(&mut self, from: Option<NaiveDate>, page: &Pagination) -> Result<Vec<ClosedDay>> {
        let after = page.after.as_deref().and_then(|day| day.parse::<NaiveDate>().ok());
        let rows = sqlx::query!(
            r#"select day, name as "name: Text<1, 100>" from closed_day
                where farm_id = $1 and ($2::date is null or day >= $2) and ($3::date is null or day > $3) order by day limit $4"#,
            self.farm.0,
            from,
            after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows.into_iter().map(|r| ClosedDay { day: Day(r.day), name: r.name }).collect())
    }

    /// The closed days that the deliveries of the coming days are moved past.
    pub(crate) async fn closed_days_ahead(&mut self, today: NaiveDate) -> Result<BTreeSet<NaiveDate>> {
        let days = sqlx::query_scalar!(
            "select day from closed_day where farm_id = $1 and day between $2 and $3",
            self.farm.0,
            today,
            today + HORIZON + MAX_MOVE
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(days.into_iter().collect())
    }
}
