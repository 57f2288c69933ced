//! What stands in the addresses and headers of the interface, as the description tells it. The extractors of the same names read them.
#![expect(dead_code, reason = "described and never made")]

use gillbook_core::{
    text::{
        BatchCode, CrateCode, CustomerCode, DocketCode, HouseCheckCode, InvoiceCode, LotCode, MarketDayCode, OrderCode,
        PaymentCode, PlaceCode, ProductCode, RecallCode, RoomCode, StandingOrderCode, StrainCode,
    },
    units::calendar::{Day, IsoWeek},
};
use utoipa::IntoParams;
use uuid::Uuid;

/// The key of a request that creates.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
pub(super) struct IdempotencyKeyHeader {
    /// A new UUID for a new request
    #[param(rename = "Idempotency-Key")]
    key: Option<String>,
}

/// The version that a change is made from.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
pub(super) struct IfMatchHeader {
    /// The `ETag` that was read
    #[param(rename = "If-Match")]
    version: Option<String>,
}

/// The act's id.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct ActPath {
    /// The act's id
    act: Uuid,
}

/// The batch's code.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct BatchPath {
    /// The batch's code
    batch: BatchCode,
}

/// The check's code.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct CheckPath {
    /// The check's code
    check: HouseCheckCode,
}

/// The crate's code.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct CratePath {
    /// The crate's code
    #[param(rename = "crate")]
    crate_code: CrateCode,
}

/// The customer's code.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct CustomerPath {
    /// The customer's code
    customer: CustomerCode,
}

/// The docket's code.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct DocketPath {
    /// The docket's code
    docket: DocketCode,
}

/// The excursion's id.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct ExcursionPath {
    /// The excursion's id
    excursion: Uuid,
}

/// The invoice's or credit note's code.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct InvoicePath {
    /// The invoice's or credit note's code
    invoice: InvoiceCode,
}

/// The lot's code.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct LotPath {
    /// The lot's code
    lot: LotCode,
}

/// The market day's code.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct MarketDayPath {
    /// The market day's code
    market_day: MarketDayCode,
}

/// The sale's id.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct TallySalePath {
    /// The sale's id
    sale: Uuid,
}

/// The receiver's id.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct NoticeToPath {
    /// The receiver's id
    notice_recipient: Uuid,
}

/// The order's code.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct OrderPath {
    /// The order's code
    order: OrderCode,
}

/// The standing order's code.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct StandingOrderPath {
    /// The standing order's code
    standing_order: StandingOrderCode,
}

/// The closed day.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct ClosedDayPath {
    /// The closed day
    day: Day,
}

/// The person's id.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct PersonPath {
    /// The person's id
    person: Uuid,
}

/// The payment's code.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct PaymentPath {
    /// The payment's code
    payment: PaymentCode,
}

/// The recall's code.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct RecallPath {
    /// The recall's code
    recall: RecallCode,
}

/// The place's code.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct PlacePath {
    /// The place's code
    place: PlaceCode,
}

/// The probe's name.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct ProbePath {
    /// The probe's name
    probe: String,
}

/// The product's code.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct ProductPath {
    /// The product's code
    product: ProductCode,
}

/// The room's code.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct RoomPath {
    /// The room's code
    room: RoomCode,
}

/// The strain's code.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct StrainPath {
    /// The strain's code
    strain: StrainCode,
}

/// The token's id.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct TokenPath {
    /// The token's id
    token: Uuid,
}

/// The week.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct WeekPath {
    /// The week
    week: IsoWeek,
}

/// The weighing's id.
#[derive(IntoParams)]
#[into_params(parameter_in = Path)]
pub(super) struct WeighingPath {
    /// The weighing's id
    weighing: Uuid,
}
