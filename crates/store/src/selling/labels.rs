//! What the label of a lot needs to know, and a letter about it.

use std::collections::BTreeMap;

use gillbook_core::{refusal::Refusal, selling::label::LabelledLot, text::LotCode};

use crate::{Result, Tx};

impl Tx {
    /// A lot as its label tells it.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.selling.labelled_lot", skip_all, fields(farm_id = self.farm.0))]
    pub async fn labelled_lot(&mut self, code: &LotCode) -> Result<LabelledLot> {
        let lots = self.labelled_lots(&[code.to_string()]).await?;
        lots.into_values().next().ok_or_else(|| Refusal::not_found(LotCode::NOUN, code).into())
    }

    /// Those of some lots that are there, as their labels tell them.
    pub(crate) async fn labelled_lots(&mut self, codes: &[String]) -> Result<BTreeMap<LotCode, LabelledLot>> {
        let lots = sqlx::query_as!(
            LabelledLot,
            r#"select l.lot as "lot: _", l.strain as "strain: _", s.name as strain_name, g.name as grade_name, l.packaging as "packaging: _",
                      l.form as "form: _", l.harvest_day, l.best_before,
                      case when l.origin = 'harvest' then l.harvest_day
                           when l.origin = 'packed' and a.document is null then (a.happened_at at time zone f.zone)::date end as packed_on
                 from lot l join strain s using (farm_id, strain) join grade g using (farm_id, grade) join farm f using (farm_id)
                 join act a on a.farm_id = l.farm_id and a.act_id = l.began_by
                where l.farm_id = $1 and l.lot = any ($2)"#,
            self.farm.0,
            codes
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(lots.into_iter().map(|lot| (lot.lot.clone(), lot)).collect())
    }
}
