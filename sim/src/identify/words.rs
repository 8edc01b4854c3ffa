//! What differs from the plan, and what to look for.
//!
//! It is said of a parameter only if it matters, which is beyond what the plan allows for, and if the log is sure of it, which is that the
//! plan lies outside the interval.

use super::Fitted;
use super::found::Found;
use super::parameter::What;
use crate::figures::fixed;
use serde::Serialize;

/// One difference.
#[derive(Clone, Debug, Serialize)]
pub struct Difference {
    /// The parameter that differs.
    pub parameter: String,
    /// How, in words.
    pub text: String,
    /// What to look for.
    pub look: &'static str,
}

/// All differences, the worst first.
pub(super) fn differences(fitted: &Fitted, all: &[Found]) -> Vec<Difference> {
    let mut different: Vec<&Found> = all.iter().filter(|found| found.differs()).collect();
    let far = |found: &Found| libm::log(found.value / found.planned).abs();
    different.sort_by(|a, b| far(b).total_cmp(&far(a)));
    let said = |found: &Found| {
        let (text, look) = said(found, &fitted.warms);
        Difference { parameter: found.name.clone(), text, look }
    };
    different.into_iter().map(said).collect()
}

impl Found {
    /// From where to where it lies, with the model's own error.
    fn within(&self) -> (f64, f64) {
        let part = self.model_error_part;
        (self.low * (1.0 - part), self.high * (1.0 + part))
    }

    /// Whether the log is sure that it differs from the plan, by more than the plan allows for.
    pub(super) fn differs(&self) -> bool {
        let allowed = self.planned * (1.0 - self.tolerance)..=self.planned * (1.0 + self.tolerance);
        let (low, high) = self.within();
        self.identifiable && !(low..=high).contains(&self.planned) && !allowed.contains(&self.value)
    }

    /// `1.80 (1.72 to 1.88) times`
    fn times(&self) -> String {
        let of = |value: f64| fixed(value / self.planned, 2);
        let (low, high) = self.within();
        format!("{} ({} to {}) times", of(self.value), of(low), of(high))
    }

    /// A value as its interval justifies.
    pub(super) fn shown(&self, value: f64) -> String {
        let width = (self.high - self.low).max(1e-12);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "from 0 to 4")]
        let places = (0.9 - libm::log10(width)).ceil().clamp(0.0, 4.0) as usize;
        fixed(value, places)
    }
}

fn said(found: &Found, warms: &[f64]) -> (String, &'static str) {
    let is_more = found.value > found.planned;
    let (low, high) = found.within();
    let [shown, low, high] = [found.value, low, high].map(|value| found.shown(value));
    let planned = found.shown(found.planned);
    let times = found.times();
    match found.what {
        What::Loss if is_more => (
            format!("the box loses {times} the planned heat"),
            "a gap in the box, wet or missing insulation, a cable or a bolt through the wall",
        ),
        What::Loss => (
            format!("the box loses {times} the planned heat"),
            "nothing, if it was built better than planned; or air around it that is warmer than what was logged",
        ),
        What::Power => (
            format!("the pad gives {shown} W ({low} to {high} W) of {planned} W"),
            if is_more {
                "the pad's rating, and the voltage at it: its circuit must carry this"
            } else {
                "a broken track of the pad, a poor joint or a thin cable in its circuit, the voltage at the pad"
            },
        ),
        What::Contact(battery) => {
            let warms = warms.get(battery).copied().unwrap_or(1.0);
            let text = format!(
                "battery {} warms {} times as fast as with the planned joint, which conducts {times} what is planned",
                battery + 1,
                fixed(warms, 2)
            );
            let look = if is_more {
                "nothing, if the joint is better than planned; or a thermometer that sits nearer to the plate than planned"
            } else {
                "whether it is in contact with the plate: a warped plate, something under the case, a loose strap"
            };
            (text, look)
        }
        What::Capacity => (
            format!("the batteries hold {times} the planned heat for each kelvin"),
            "the mass of a battery, and how many there are; or the logged power, if it is computed and not measured",
        ),
        What::Conduct => (
            format!("the batteries conduct {times} what is planned"),
            "how the cells stand in their case (cells in the file), and where on it the thermometers sit",
        ),
        What::Lag(_) => (
            format!("{} is {shown} s ({low} to {high} s), planned {planned} s", found.words),
            if is_more {
                "whether the thermometer is pressed to its place, with paste and without air behind it"
            } else {
                "nothing, if it is mounted better than planned"
            },
        ),
        What::Film | What::Bond | What::Share | What::Offset(_) | What::Around | What::Swing(_) => (String::new(), ""),
    }
}
