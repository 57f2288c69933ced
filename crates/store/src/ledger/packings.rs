//! Packings: lots made into lots. Packing into punnets, regrading, drying, and the opening entry of lots that were there.

use chrono::{DateTime, Days, NaiveDate, Utc};
use gillbook_core::{
    Grams,
    ledger::lot,
    refusal::Refusal,
    text::{GradeCode, LotCode, PlaceCode, ProductCode, Short, StrainCode},
    units::calendar::{Day, Instant, day_begins, day_of},
    words::{ActKind, Form, LotOrigin, Packaging, PlaceKind},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    Page, Result, Tx,
    error::OrMissing,
    ledger::{
        entries::{Act, Leg, NewAct},
        lots::NewLot,
    },
};

/// Grams of a lot that go into a packing.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PackedFrom {
    /// The lot.
    pub lot: LotCode,
    /// How much, trim and water included.
    pub grams_g: Grams,
}

/// A lot that a packing makes.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PackedInto {
    /// Its grade.
    pub grade: GradeCode,
    /// Its packaging.
    pub packaging: Packaging,
    /// Fresh unless said.
    pub form: Option<Form>,
    /// How much.
    pub grams_g: Grams,
    /// The product that it is packed as; its best-before rule dates the lot.
    pub product: Option<ProductCode>,
    /// Where it goes; where it came from unless said.
    pub place: Option<PlaceCode>,
}

/// Lots in, lots out.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewPacking {
    /// Made by the client; the same again counts once.
    pub id: Option<Uuid>,
    /// Where it is done.
    pub place: PlaceCode,
    /// What goes in. All of one strain.
    #[schema(min_items = 1, max_items = 20)]
    pub lots_in: Vec<PackedFrom>,
    /// What comes out.
    #[schema(min_items = 1, max_items = 20)]
    pub lots_out: Vec<PackedInto>,
    /// Cut off.
    #[serde(default)]
    pub trim_g: Grams,
    /// Weight lost as water.
    #[serde(default)]
    pub water_g: Grams,
    /// When; now unless said.
    pub happened_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// A packing as it was kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Packing {
    /// The lots that were made.
    pub made: Vec<LotCode>,
    /// The act.
    pub act: Act,
}

/// A lot that was in stock when the book was opened.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewOpening {
    /// Made by the client; the same again counts once.
    pub id: Option<Uuid>,
    /// Its strain.
    pub strain: StrainCode,
    /// Its grade.
    pub grade: GradeCode,
    /// Its packaging.
    pub packaging: Packaging,
    /// Fresh unless said.
    pub form: Option<Form>,
    /// Its harvest day.
    pub harvest_day: Day,
    /// Where it is.
    pub place: PlaceCode,
    /// How much.
    pub grams_g: Grams,
    /// When; now unless said.
    pub happened_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

struct Parents {
    strain: StrainCode,
    harvest_day: NaiveDate,
    harvested_at: DateTime<Utc>,
    /// Dates that parents carry already, with the form that each was given for.
    dated: Vec<(Form, NaiveDate)>,
    dried: Option<LotCode>,
}

impl Parents {
    /// The date that a child keeps. Drying makes food that lasts by another rule, so the date of a fresh pack ends there.
    fn best_before(&self, form: Form) -> Option<NaiveDate> {
        self.dated.iter().filter(|(of, _)| *of == form).map(|(_, date)| *date).min()
    }
}

impl Tx {
    /// Makes lots of lots. In = out + trim + water, to the gram.
    ///
    /// # Errors
    /// Refuses sums that do not close, strains that mix, lots on hold, and more than is there.
    pub async fn pack(&mut self, new: &NewPacking) -> Result<Packing> {
        let happened_at = self.happened(new.happened_at, "/happened_at")?;
        check_sums(new)?;
        let lots: Vec<LotCode> = new.lots_in.iter().map(|l| l.lot.clone()).collect();
        self.lock_lots(&lots).await?;
        let parents = self.parents(&lots).await?;
        self.expect_free_of_hold(&lots).await?;
        let id = new.id.unwrap_or_else(|| self.new_id());
        let act = NewAct { id, kind: ActKind::Packing, happened_at, by: new.by.as_ref(), document: None, reason: "" };
        self.enter_act(&act, None).await?;
        let mut made = Vec::new();
        let mut legs = Vec::new();
        let packing = self.sink(PlaceKind::Packing).await?;
        for (i, out) in new.lots_out.iter().enumerate() {
            let place = out.place.as_ref().unwrap_or(&new.place);
            self.place_kind(place, &format!("/lots_out/{i}/place")).await?;
            let form = out.form.unwrap_or(Form::Fresh);
            if let Some(dried) = parents.dried.as_ref().filter(|_| form == Form::Fresh) {
                return Err(Refusal::field(
                    format!("/lots_out/{i}/form"),
                    format!("Lot {dried} is dried, and what is made of it is not fresh again. Give \"dried\"."),
                )
                .into());
            }
            let best_before = self.packed_best_before(out, form, &parents, happened_at).await?;
            let code = self
                .begin_lot(&NewLot {
                    strain: &parents.strain,
                    grade: &out.grade,
                    packaging: out.packaging,
                    form,
                    harvest_day: parents.harvest_day,
                    harvested_at: parents.harvested_at,
                    origin: LotOrigin::Packed,
                    best_before,
                    began_by: id,
                })
                .await?;
            legs.push(Leg {
                lot: code.clone(),
                from_place: packing.clone(),
                to_place: place.clone(),
                grams_g: out.grams_g,
            });
            made.push((code, out.grams_g));
        }
        let gave = self.drain(new, &packing, &mut legs).await?;
        for link in lot::links(&gave, &made) {
            self.link_lots(id, &link).await?;
        }
        self.enter_legs(id, &legs).await?;
        Ok(Packing { made: made.into_iter().map(|(code, _)| code).collect(), act: self.act(id).await? })
    }

    /// Legs out of the lots that go in: their shares of trim and water, and the rest to the packing table.
    async fn drain(
        &mut self,
        new: &NewPacking,
        packing: &PlaceCode,
        legs: &mut Vec<Leg>,
    ) -> Result<Vec<(LotCode, Grams)>> {
        let sinks = [self.sink(PlaceKind::Trim).await?, self.sink(PlaceKind::Water).await?];
        let ins: Vec<(LotCode, Grams)> = new.lots_in.iter().map(|l| (l.lot.clone(), l.grams_g)).collect();
        let mut gave = Vec::new();
        for from in lot::drain(&ins, &[new.trim_g, new.water_g]) {
            let ways = sinks.iter().zip(from.lost).chain([(packing, from.gave)]);
            legs.extend(ways.filter(|(_, grams)| *grams > Grams::ZERO).map(|(to_place, grams_g)| Leg {
                lot: from.lot.clone(),
                from_place: new.place.clone(),
                to_place: to_place.clone(),
                grams_g,
            }));
            if from.gave > Grams::ZERO {
                gave.push((from.lot, from.gave));
            }
        }
        Ok(gave)
    }

    /// Links a lot that was made to one that it was made of. A child of a lot on hold begins on hold.
    pub(crate) async fn link_lots(&mut self, act: Uuid, link: &lot::Link) -> Result<()> {
        sqlx::query!(
            "insert into lot_link (farm_id, act_id, parent, child, grams) values ($1, $2, $3, $4, $5)",
            self.farm.0,
            act,
            link.parent.as_str(),
            link.child.as_str(),
            link.grams.0
        )
        .execute(&mut *self.db)
        .await?;
        self.inherit_hold(&link.parent, &link.child).await
    }

    /// What the children take from their parents: the strain, the earliest harvest, the dates.
    async fn parents(&mut self, lots: &[LotCode]) -> Result<Parents> {
        let mut parents: Option<Parents> = None;
        for (i, code) in lots.iter().enumerate() {
            let l = self.lot_facts(code).await.or_missing(|| {
                Refusal::field(
                    format!("/lots_in/{i}/lot"),
                    format!("There is no lot {code} on this farm. Check the code."),
                )
            })?;
            let dated = l.best_before.map(|date| (l.form, date));
            let dried = (l.form == Form::Dried).then(|| code.clone());
            parents = Some(match parents {
                None => Parents {
                    strain: l.strain,
                    harvest_day: l.harvest_day,
                    harvested_at: l.harvested_at,
                    dated: dated.into_iter().collect(),
                    dried,
                },
                Some(p) if p.strain == l.strain => Parents {
                    strain: p.strain,
                    harvest_day: p.harvest_day.min(l.harvest_day),
                    harvested_at: p.harvested_at.min(l.harvested_at),
                    dated: p.dated.into_iter().chain(dated).collect(),
                    dried: p.dried.or(dried),
                },
                Some(p) => {
                    return Err(Refusal::field(
                        format!("/lots_in/{i}/lot"),
                        format!("Lot {code} is {} and the lot before it is {}. A lot is of one strain: pack each by itself.", l.strain, p.strain),
                    )
                    .into());
                }
            });
        }
        parents.ok_or_else(|| Refusal::field("/lots_in", "Nothing goes in. Name the lots.").into())
    }

    /// By the farm's rule for the product, never later than what the parents of the same form carry already.
    async fn packed_best_before(
        &mut self,
        out: &PackedInto,
        form: Form,
        parents: &Parents,
        at: DateTime<Utc>,
    ) -> Result<Option<NaiveDate>> {
        let kept = parents.best_before(form);
        let Some(product) = &out.product else { return Ok(kept) };
        let days = self.best_before_days(product, out.packaging, at).await?;
        let by_rule = days.map(|d| parents.harvest_day + Days::new(d));
        Ok([by_rule, kept].into_iter().flatten().min())
    }

    /// Days from harvest to best before by the farm's rule in force.
    pub(crate) async fn best_before_days(
        &mut self,
        product: &ProductCode,
        packaging: Packaging,
        at: DateTime<Utc>,
    ) -> Result<Option<u64>> {
        let days = sqlx::query_scalar!(
            "select days from best_before_rule where farm_id = $1 and product = $2 and packaging = $3 and effective_from <= $4
              order by effective_from desc limit 1",
            self.farm.0,
            product.as_str(),
            packaging.as_str(),
            at
        )
        .fetch_optional(&mut *self.db)
        .await?;
        Ok(days.and_then(|d| u64::try_from(d).ok()))
    }

    /// Packings in the order of recording.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn packings(&mut self, page: &Page) -> Result<Vec<Packing>> {
        let acts = self.acts(Some(ActKind::Packing), None, page).await?;
        let ids: Vec<Uuid> = acts.iter().map(|a| a.act_id).collect();
        let made = sqlx::query!(
            r#"select began_by, lot as "lot: LotCode" from lot where farm_id = $1 and began_by = any ($2) order by lot"#,
            self.farm.0,
            &ids
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(acts
            .into_iter()
            .map(|act| Packing {
                made: made.iter().filter(|m| m.began_by == act.act_id).map(|m| m.lot.clone()).collect(),
                act,
            })
            .collect())
    }

    /// Enters a lot that was in stock when the book was opened.
    ///
    /// # Errors
    /// Refuses a harvest day in the future and a place that holds no stock.
    pub async fn enter_opening(&mut self, new: &NewOpening) -> Result<Packing> {
        let happened_at = self.happened(new.happened_at, "/happened_at")?;
        let zone = self.ways().await?.zone;
        if new.harvest_day.0 > day_of(happened_at, zone) {
            return Err(Refusal::field("/harvest_day", "The harvest day lies after the entry. Check the day.").into());
        }
        self.place_kind(&new.place, "/place").await?;
        let id = new.id.unwrap_or_else(|| self.new_id());
        let act = NewAct {
            id,
            kind: ActKind::Opening,
            happened_at,
            by: new.by.as_ref(),
            document: None,
            reason: "opening entry",
        };
        self.enter_act(&act, None).await?;
        let code = self
            .begin_lot(&NewLot {
                strain: &new.strain,
                grade: &new.grade,
                packaging: new.packaging,
                form: new.form.unwrap_or(Form::Fresh),
                harvest_day: new.harvest_day.0,
                harvested_at: day_begins(new.harvest_day.0, zone),
                origin: LotOrigin::Opening,
                best_before: None,
                began_by: id,
            })
            .await?;
        let from_place = self.sink(PlaceKind::Opening).await?;
        let leg = Leg { lot: code.clone(), from_place, to_place: new.place.clone(), grams_g: new.grams_g };
        self.enter_legs(id, &[leg]).await?;
        Ok(Packing { made: vec![code], act: self.act(id).await? })
    }
}

fn check_sums(new: &NewPacking) -> Result<(), Refusal> {
    if new.lots_in.is_empty() || new.lots_in.len() > 20 {
        return Err(Refusal::field("/lots_in", "One to twenty lots go in."));
    }
    if new.lots_out.is_empty() || new.lots_out.len() > 20 {
        return Err(Refusal::field("/lots_out", "One to twenty lots come out."));
    }
    for (i, l) in new.lots_in.iter().enumerate() {
        if l.grams_g <= Grams::ZERO {
            return Err(Refusal::field(format!("/lots_in/{i}/grams_g"), "Give a weight above zero."));
        }
        if new.lots_in[..i].iter().any(|o| o.lot == l.lot) {
            return Err(Refusal::field(
                format!("/lots_in/{i}/lot"),
                format!("Lot {} stands there twice. Add the two up.", l.lot),
            ));
        }
    }
    if let Some(i) = new.lots_out.iter().position(|l| l.grams_g <= Grams::ZERO) {
        return Err(Refusal::field(format!("/lots_out/{i}/grams_g"), "Give a weight above zero."));
    }
    for (pointer, grams) in [("/trim_g", new.trim_g), ("/water_g", new.water_g)] {
        if grams < Grams::ZERO {
            return Err(Refusal::field(pointer, "This is below zero. Give what was lost, or nothing."));
        }
    }
    let gone: Grams = new.lots_in.iter().map(|l| l.grams_g).sum();
    let come = new.lots_out.iter().map(|l| l.grams_g).sum::<Grams>() + new.trim_g + new.water_g;
    if gone != come {
        return Err(Refusal::field(
            "/lots_out",
            format!(
                "{gone} go in and {come} come out, trim and water counted. They differ by {}: weigh again, or book it as trim or water.",
                Grams((gone - come).0.abs())
            ),
        ));
    }
    Ok(())
}
