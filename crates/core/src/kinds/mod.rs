//! The closed sets of words that the ledger knows.

mod cold;
mod ledger;

pub use {cold::*, ledger::*};

macro_rules! string_enum {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $word:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(
            Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord,
            serde::Serialize, utoipa::ToSchema, sqlx::Type,
        )]
        #[serde(rename_all = "snake_case")]
        #[sqlx(type_name = "text", rename_all = "snake_case")]
        pub enum $name { $($(#[$vdoc])* $variant),+ }

        impl $name {
            /// Every one, in order.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The word as it is stored and sent.
            #[must_use]
            pub const fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $word),+ }
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str(self.as_str())
            }
        }

        impl std::str::FromStr for $name {
            type Err = String;
            fn from_str(word: &str) -> Result<Self, String> {
                Self::ALL.iter().copied().find(|w| w.as_str() == word)
                    .ok_or_else(|| format!("{word} is not one of: {}.", [$($word),+].join(", ")))
            }
        }

        // By the text and not as serde derives it: what is no text at all is then a mistake of this field, and not of the whole body.
        impl<'de> serde::Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
                let word = <std::borrow::Cow<'de, str> as serde::Deserialize>::deserialize(d)?;
                word.parse().map_err(serde::de::Error::custom)
            }
        }
    };
}

pub(crate) use string_enum;

string_enum!(/// What a person may do. See the web crate's table of routes.
Role {
    /// Runs the farm: everything.
    Owner = "owner",
    /// Weighs, packs, counts.
    Picker = "picker",
    /// Takes crates and dockets out.
    Driver = "driver",
    /// Reads the records.
    Verifier = "verifier",
    /// Writes invoices and payments, reads sales and weeks.
    Bookkeeper = "bookkeeper",
});

string_enum!(/// What a machine's token may do.
Scope {
    /// Post the readings of its own probe, nothing else.
    Readings = "readings",
    /// Read what a bookkeeper may read.
    Read = "read",
    /// Read the calendar of deliveries and harvests by its address, nothing else.
    Calendar = "calendar",
});

string_enum!(/// How a lot is packaged. It decides shelf life, and whether warmth is a matter of safety or of quality.
Packaging {
    /// Loose in an open crate.
    Open = "open",
    /// In a pack with visible holes.
    Vented = "vented",
    /// In a pack without holes.
    Sealed = "sealed",
});

string_enum!(/// Fresh or dried.
Form {
    /// As harvested.
    Fresh = "fresh",
    /// Dried.
    Dried = "dried",
});

string_enum!(/// What a room is for.
RoomKind {
    /// Spawn runs through the substrate.
    Incubation = "incubation",
    /// Mushrooms grow.
    Fruiting = "fruiting",
});

string_enum!(/// How a cook was done.
CookMethod {
    /// Sterilised.
    Sterilised = "sterilised",
    /// Pasteurised.
    Pasteurised = "pasteurised",
});

string_enum!(/// Where a batch's blocks came from.
BatchOrigin {
    /// Made here.
    Made = "made",
    /// Bought in.
    Bought = "bought",
    /// Stood in the rooms when the book was opened.
    Opening = "opening",
});

string_enum!(/// Where blocks went.
BlockMove {
    /// Into a room.
    Moved = "moved",
    /// Sold as blocks.
    Sold = "sold",
    /// Finished and cleared out.
    Finished = "finished",
});

string_enum!(/// Crate or liner.
CrateKind {
    /// A crate.
    Crate = "crate",
    /// A liner.
    Liner = "liner",
});

string_enum!(/// A customer's kind, which is also the channel that earnings are told apart by.
CustomerKind {
    /// A restaurant.
    Restaurant = "restaurant",
    /// A shop.
    Shop = "shop",
    /// The people at a market stall.
    Market = "market",
    /// A wholesaler.
    Wholesale = "wholesale",
});

string_enum!(/// What a price is for.
PriceUnit {
    /// A kilogram.
    Kg = "kg",
    /// A pack.
    Pack = "pack",
});

string_enum!(/// Where an order stands.
OrderStatus {
    /// Being written.
    Draft = "draft",
    /// Promised.
    Confirmed = "confirmed",
    /// On its way.
    Dispatched = "dispatched",
    /// Handed over.
    Delivered = "delivered",
    /// Called off.
    Cancelled = "cancelled",
});

string_enum!(/// What a promise rests on, the surest first.
PromiseBasis {
    /// All of it is in stock.
    InStock = "in_stock",
    /// The rest comes with the harvest, also where that is poor.
    Expected = "expected",
    /// The rest comes only with a good harvest.
    GoodHarvest = "good_harvest",
    /// It is not enough even with a good harvest.
    Short = "short",
});

string_enum!(/// The size of the sheets that documents print on.
PaperSize {
    /// 210 × 297 mm (ISO 216).
    A4 = "a4",
    /// 8½ × 11 inches (ANSI/ASME Y14.1, size A).
    Letter = "letter",
});

string_enum!(/// How goods were sold.
SaleKind {
    /// Handed to a customer under a docket.
    HandedOver = "handed_over",
    /// Came back from a customer; below zero.
    Returned = "returned",
    /// Sold at a stall.
    Stall = "stall",
});

string_enum!(/// Why nothing is delivered on a day.
NoDelivery {
    /// The farm is closed.
    FarmClosed = "farm_closed",
    /// The customer takes no deliveries on that day of the week.
    NotTheirDay = "not_their_day",
});

string_enum!(/// Why no order takes what is at risk.
RiskReason {
    /// The lot is on hold.
    OnHold = "on_hold",
    /// It is set aside for an order that goes out after its last day.
    SetAsideTooLong = "set_aside_too_long",
    /// An order would take it with more days left.
    TooFewDays = "too_few_days",
    /// An order would take a better grade.
    Grade = "grade",
    /// The next order for it goes out after its last day.
    AfterLastDay = "after_last_day",
    /// Nobody has ordered it.
    NotOrdered = "not_ordered",
});

string_enum!(/// How what is at risk could still be sold.
WayKind {
    /// A customer who usually takes it, but is not expected by its last day and has not ordered, is asked.
    Ask = "ask",
    /// More of it than usual goes to the market.
    Market = "market",
    /// It is dried.
    Dry = "dry",
});

string_enum!(/// A day of the week.
Weekday {
    /// Monday.
    Monday = "monday",
    /// Tuesday.
    Tuesday = "tuesday",
    /// Wednesday.
    Wednesday = "wednesday",
    /// Thursday.
    Thursday = "thursday",
    /// Friday.
    Friday = "friday",
    /// Saturday.
    Saturday = "saturday",
    /// Sunday.
    Sunday = "sunday",
});

impl Weekday {
    /// As RFC 5545 writes it.
    #[must_use]
    pub const fn ical(self) -> &'static str {
        match self {
            Self::Monday => "MO",
            Self::Tuesday => "TU",
            Self::Wednesday => "WE",
            Self::Thursday => "TH",
            Self::Friday => "FR",
            Self::Saturday => "SA",
            Self::Sunday => "SU",
        }
    }
}

impl From<chrono::Weekday> for Weekday {
    fn from(day: chrono::Weekday) -> Self {
        match day {
            chrono::Weekday::Mon => Self::Monday,
            chrono::Weekday::Tue => Self::Tuesday,
            chrono::Weekday::Wed => Self::Wednesday,
            chrono::Weekday::Thu => Self::Thursday,
            chrono::Weekday::Fri => Self::Friday,
            chrono::Weekday::Sat => Self::Saturday,
            chrono::Weekday::Sun => Self::Sunday,
        }
    }
}

impl From<Weekday> for chrono::Weekday {
    fn from(day: Weekday) -> Self {
        match day {
            Weekday::Monday => Self::Mon,
            Weekday::Tuesday => Self::Tue,
            Weekday::Wednesday => Self::Wed,
            Weekday::Thursday => Self::Thu,
            Weekday::Friday => Self::Fri,
            Weekday::Saturday => Self::Sat,
            Weekday::Sunday => Self::Sun,
        }
    }
}

string_enum!(/// What becomes of a standing delivery on a day on which the farm is closed.
ClosedDayPolicy {
    /// There is none.
    Skip = "skip",
    /// It goes out on the last open day before.
    DayBefore = "day_before",
    /// It goes out on the first open day after.
    DayAfter = "day_after",
});

string_enum!(/// A market day's state.
MarketDayStatus {
    /// The stall is out.
    Open = "open",
    /// Reckoned.
    Closed = "closed",
});

string_enum!(/// What a search finds.
HitKind {
    /// A lot.
    Lot = "lot",
    /// A batch.
    Batch = "batch",
    /// An order.
    Order = "order",
    /// A docket.
    Docket = "docket",
    /// A customer.
    Customer = "customer",
    /// A product.
    Product = "product",
});
