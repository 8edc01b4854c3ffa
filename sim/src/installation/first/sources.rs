//! What an answer about a source changes: its section, or whether there is one.

use super::bank::nominal_v;
use super::sheet::{Place, Sheet, number, quoted};
use crate::portable::squared;

/// A source that a first file can have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Source {
    Engine,
    Mains,
    Sun,
}

impl Source {
    /// Its name in a file.
    const fn name(self) -> &'static str {
        match self {
            Self::Engine => "engine",
            Self::Mains => "mains",
            Self::Sun => "solar",
        }
    }

    /// The section of a new one, without what its power says.
    const fn section(self) -> &'static str {
        match self {
            Self::Engine => {
                "# The alternator of the drive. Nothing holds its charger back.\n\
                 [[source]]\nname = \"engine\"\npriority = 1\nsettle_s = 60\n\
                 schedule = \"mon-fri 07:30-08:30 17:00-17:45\""
            }
            Self::Mains => {
                "# A charger on a socket. Nothing holds it back.\n\
                 [[source]]\nname = \"mains\"\npriority = 2\nschedule = \"sat,sun 09:00-18:00\""
            }
            Self::Sun => {
                "# Panels. Nothing holds their charger back.\n\
                 [[source]]\nname = \"solar\"\npriority = 0\nsettle_s = 120"
            }
        }
    }

    fn place(self, sheet: &Sheet) -> Option<Place> {
        sheet.list("source").into_iter().find(|&place| sheet.word(place, "name") == Some(self.name()))
    }

    /// Whether the file has it.
    pub(super) fn is_there(self, sheet: &Sheet) -> bool {
        self.place(sheet).is_some()
    }

    /// Whether it is there by a schedule.
    pub(super) fn has_schedule(self, sheet: &Sheet) -> bool {
        self.schedule(sheet).is_some()
    }

    /// Its power (W), for sun at 1000 W/m².
    pub(super) fn power_w(self, sheet: &Sheet) -> Option<f64> {
        let place = self.place(sheet)?;
        let key = if self == Self::Sun { "power_w" } else { "budget_w" };
        sheet.number(place, key)
    }

    /// The most current that it gives to the bank (A); `None` where it obeys the ceiling.
    pub(super) fn current_a(self, sheet: &Sheet) -> Option<f64> {
        sheet.number(self.place(sheet)?, "most_current_a")
    }

    pub(super) fn schedule(self, sheet: &Sheet) -> Option<&str> {
        sheet.word(self.place(sheet)?, "schedule")
    }

    /// Gives it that power (W), or takes it away.
    pub(super) fn set_power(self, sheet: &mut Sheet, wanted_w: Option<f64>) {
        let Some(wanted_w) = wanted_w else { return self.remove(sheet) };
        let place = self.place(sheet).or_else(|| {
            sheet.add(sheet.list("source").last().copied(), self.section());
            self.place(sheet)
        });
        let Some(place) = place else { return };
        let feeds = sheet.word_of("circuit", "fed_by").map(|name| name == self.name());
        let budget_w = match (self, feeds) {
            // The heater hangs on another source: this one only charges.
            (_, Some(false)) => 0.0,
            (Self::Sun, _) => wanted_w.min(heater_most_w(sheet).ceil()),
            (Self::Engine | Self::Mains, _) => wanted_w,
        };
        sheet.set(place, "budget_w", &number(budget_w));
        if self == Self::Sun {
            sheet.set(place, "power_w", &number(wanted_w));
            // The sun with which the panels carry the heater, to the next ten.
            let sun_w_m2 = (heater_most_w(sheet) / wanted_w * 100.0).ceil() * 10.0;
            sheet.set(place, "sun_at_least_w_m2", &number(sun_w_m2.clamp(50.0, 1000.0)));
        } else if budget_w < wanted_w || sheet.number(place, "power_w").is_some() {
            sheet.set(place, "power_w", &number(wanted_w));
        }
        // What the plate of another one says.
        if feeds != Some(true) {
            for key in ["rated_a", "rated_v", "derate_pct", "other_loads_w"] {
                sheet.leave_out(place, key);
            }
        }
        if sheet.value(place, "obeys").is_none() {
            self.set_current(sheet, (wanted_w / nominal_v(sheet)).floor());
        }
    }

    fn remove(self, sheet: &mut Sheet) {
        if let Some(place) = self.place(sheet) {
            sheet.switch_off(place);
        }
        if sheet.word_of("circuit", "fed_by") == Some(self.name()) {
            sheet.drop("circuit", "fed_by");
        }
    }

    pub(super) fn set_current(self, sheet: &mut Sheet, wanted_a: f64) {
        if let Some(place) = self.place(sheet) {
            sheet.set(place, "most_current_a", &number(wanted_a));
            for key in ["obeys", "reduced_current_a"] {
                sheet.leave_out(place, key);
            }
        }
    }

    pub(super) fn set_schedule(self, sheet: &mut Sheet, wanted: &str) {
        if let Some(place) = self.place(sheet) {
            sheet.set(place, "schedule", &quoted(wanted));
        }
    }
}

/// The power of the heater at its highest supply voltage (W).
fn heater_most_w(sheet: &Sheet) -> f64 {
    let heater = |key| sheet.number_of("heater", key).unwrap_or(1.0);
    heater("power_w") * squared(heater("supply_max_v") / heater("nominal_v"))
}
