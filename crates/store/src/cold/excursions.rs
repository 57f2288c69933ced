//! Excursions as the readings tell them: which stored one an evaluated one is.

use chrono::{DateTime, Utc};
use gillbook_core::{
    cold::{evaluate::Excursion as Judged, reevaluate::Replacement},
    kinds::ExcursionKind,
    refusal::Refusal,
    text::PlaceCode,
};
use uuid::Uuid;

use crate::{Result, Tx};

/// What is stored of an excursion that may be touched.
struct Stored {
    id: Uuid,
    kind: ExcursionKind,
    probe: Option<i32>,
    from: DateTime<Utc>,
    until: Option<DateTime<Utc>>,
}

impl Stored {
    fn is(&self, e: &Judged) -> bool {
        self.kind == e.kind && self.probe == e.probe && self.from == e.from
    }

    fn overlaps(&self, e: &Judged) -> bool {
        let begins_before = |from: DateTime<Utc>, until: Option<DateTime<Utc>>| until.is_none_or(|u| from <= u);
        self.kind == e.kind
            && self.probe == e.probe
            && begins_before(self.from, e.until)
            && begins_before(e.from, self.until)
    }
}

impl Tx {
    /// Matches evaluated to stored excursions: the same start keeps its id; overlapping ones move and keep theirs; a stored one that matches none
    /// is withdrawn, pointing at the one that overlaps it. What was done about an excursion stays with its id.
    pub(crate) async fn replace_excursions(
        &mut self,
        place: &PlaceCode,
        done: Option<&Replacement>,
        open: &[Judged],
    ) -> Result<()> {
        let (from, until) = done.map_or((None, None), |d| (Some(d.from), d.until));
        let mut stored: Vec<Stored> = sqlx::query!(
            r#"select excursion_id, kind as "kind: ExcursionKind", probe_id, began_at, ended_at from excursion
                where farm_id = $1 and place = $2 and withdrawn_at is null
                  and (ended_at is null or ($3::timestamptz is not null and ended_at >= $3 and ($4::timestamptz is null or ended_at < $4)))
                order by began_at for update"#,
            self.farm.0,
            place.as_str(),
            from,
            until
        )
        .fetch_all(&mut *self.db)
        .await?
        .into_iter()
        .map(|r| Stored { id: r.excursion_id, kind: r.kind, probe: r.probe_id, from: r.began_at, until: r.ended_at })
        .collect();
        let judged: Vec<&Judged> = done.iter().flat_map(|d| d.ended()).chain(open).collect();
        let mut ids: Vec<Option<Uuid>> = vec![None; judged.len()];
        for same in [Stored::is as fn(&Stored, &Judged) -> bool, Stored::overlaps] {
            for (n, e) in judged.iter().enumerate().filter(|(n, _)| ids[*n].is_none()).collect::<Vec<_>>() {
                if let Some(at) = stored.iter().position(|s| same(s, e)) {
                    ids[n] = Some(stored.remove(at).id);
                }
            }
        }
        let mut kept = Vec::with_capacity(judged.len());
        for (e, id) in judged.iter().zip(ids) {
            kept.push(self.save_excursion(place, e, id).await?);
        }
        for gone in stored {
            let became = judged.iter().zip(&kept).find(|(e, _)| gone.overlaps(e)).map(|(_, id)| *id);
            sqlx::query!(
                "update excursion set withdrawn_at = $3, became = $4, judged_at = $3 where farm_id = $1 and excursion_id = $2",
                self.farm.0,
                gone.id,
                self.now,
                became
            )
            .execute(&mut *self.db)
            .await?;
        }
        Ok(())
    }

    async fn save_excursion(&mut self, place: &PlaceCode, e: &Judged, id: Option<Uuid>) -> Result<Uuid> {
        let new = id.is_none();
        let id = id.unwrap_or_else(|| self.new_id());
        sqlx::query!(
            "insert into excursion as x (farm_id, excursion_id, place, kind, probe_id, began_at, ended_at, air_c, product_c, known_s, beyond_c_s,
                                         judged_at)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)
             on conflict (farm_id, excursion_id) do update
                set began_at = excluded.began_at, ended_at = excluded.ended_at, air_c = excluded.air_c, product_c = excluded.product_c,
                    known_s = excluded.known_s, beyond_c_s = excluded.beyond_c_s, judged_at = excluded.judged_at
              where (x.began_at, x.ended_at, x.air_c, x.product_c, x.known_s, x.beyond_c_s)
                    is distinct from (excluded.began_at, excluded.ended_at, excluded.air_c, excluded.product_c, excluded.known_s,
                                      excluded.beyond_c_s)",
            self.farm.0,
            id,
            place.as_str(),
            e.kind.as_str(),
            e.probe,
            e.from,
            e.until,
            e.air_c,
            e.product_c,
            e.known_s,
            e.beyond_c_s,
            self.now
        )
        .execute(&mut *self.db)
        .await?;
        if new || e.until.is_some() {
            self.enqueue_notice(place, id, e).await?;
        }
        Ok(id)
    }

    /// Locks an excursion against other actions and countersigning.
    pub(crate) async fn lock_excursion(&mut self, id: Uuid) -> Result<()> {
        // No key update, so that a docket that names it need not wait.
        sqlx::query!(
            "select excursion_id from excursion where farm_id = $1 and excursion_id = $2 for no key update",
            self.farm.0,
            id
        )
        .fetch_optional(&mut *self.db)
        .await?
        .map(|_| ())
        .ok_or_else(|| Refusal::not_found("excursion", id).into())
    }
}
