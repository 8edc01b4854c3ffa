//! When something happens, by the week.

/// Parts of the week, to the minute. Monday 00:00 is minute 0.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Schedule {
    /// First minute and the minute after the last of each slot: in order, apart from each other.
    slots: Vec<(u32, u32)>,
}

/// Minutes in a week.
pub const WEEK: u32 = 7 * 24 * 60;

impl Schedule {
    /// Whether `minute` of the week lies in a slot.
    #[must_use]
    pub fn is_on(&self, minute: u32) -> bool {
        self.slots.iter().any(|&(from, to)| (from..to).contains(&minute))
    }
}
