//! Finds the signals that make the board's program see given inputs.

use forewarm_core::quantity::{Instant, Ratio};
use forewarm_core::rtd::Measured;
use forewarm_core::settings::MAX_SOURCES;
use forewarm_core::signals::{Button, Inputs, Line, Relay, Sample};
use forewarm_rig::{
    BUTTON, CHARGE_FEEDBACK, CHARGE_LINE, DISCHARGE_LINE, HEATER_FEEDBACK, Level, Moment, Sensed, Shown,
};

/// Bits of the codes that hold every [`Ratio`].
const RATIO_BITS: u32 = 30;

/// The moment in which the program sees `inputs`. The converter has `bits` bits if its codes hold what was measured,
/// and 30 bits if they do not.
///
/// Whether storage keeps what is written is not shown. That follows from the storage. A code of all ones is not a
/// reading for a converter, so the program sees an element at [`Ratio::MAX`] as a fault of the converter.
#[must_use]
pub fn moment(now: Instant, inputs: &Inputs, bits: u32) -> Moment {
    let mut sensed =
        Sensed { supply: inputs.supply, bank: inputs.bank, state_of_charge: inputs.state_of_charge, ..Sensed::NOTHING };
    for (shown, sample) in sensed.channels.iter_mut().zip(&inputs.channels) {
        *shown = match sample {
            Sample::None => Shown::Busy,
            Sample::ConverterFault => Shown::Fault,
            Sample::Fresh(measured) => codes(*measured, bits.min(RATIO_BITS)),
        };
    }
    for (index, level) in sensed.lines.iter_mut().enumerate().take(MAX_SOURCES) {
        *level =
            if inputs.unsteady.contains(index) { Level::Toggling } else { high_if(inputs.sources.contains(index)) };
    }
    sensed.lines[CHARGE_LINE] = high_if(inputs.charge_line == Line::Allowed);
    sensed.lines[DISCHARGE_LINE] = high_if(inputs.discharge_line == Line::Allowed);
    sensed.lines[HEATER_FEEDBACK] = contact(inputs.heater_feedback);
    sensed.lines[CHARGE_FEEDBACK] = contact(inputs.charge_feedback);
    sensed.lines[BUTTON] = high_if(inputs.button == Button::Pressed);
    Moment { now, sensed }
}

const fn high_if(is_so: bool) -> Level {
    if is_so { Level::High } else { Level::Low }
}

const fn contact(feedback: Option<Relay>) -> Level {
    match feedback {
        None => Level::Absent,
        Some(relay) => high_if(matches!(relay, Relay::Closed)),
    }
}

fn codes(measured: Measured, bits: u32) -> Shown {
    let at = |bits: u32| {
        let code = |ratio: Ratio| ratio.as_steps() >> (RATIO_BITS - bits);
        let (element, lead) = (code(measured.element), code(measured.lead));
        let is_exact =
            Ratio::from_code(element, bits) == measured.element && Ratio::from_code(lead, bits) == measured.lead;
        is_exact.then_some(Shown::Codes { element, reference: 1 << bits, lead })
    };
    // With 30 bits every ratio is exact.
    at(bits).or_else(|| at(RATIO_BITS)).unwrap_or(Shown::Fault)
}

#[cfg(test)]
mod tests {
    use super::super::testing::{any_inputs, seen};
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn what_is_shown_is_what_was_to_be_seen(inputs in any_inputs(), now: u32, bits in 8..=30_u32) {
            let now = Instant::from_millis(now);
            prop_assert_eq!(seen(&moment(now, &inputs, bits)), (now, inputs));
        }

        #[test]
        fn a_converter_shows_its_own_codes(code in 0..1_u32 << 16, lead in 0..1_u32 << 16) {
            let mut inputs = Inputs::DEAD;
            let measured = Measured { element: Ratio::from_code(code, 16), lead: Ratio::from_code(lead, 16) };
            inputs.channels[0] = Sample::Fresh(measured);
            let shown = moment(Instant::from_millis(0), &inputs, 16).sensed.channels[0];
            prop_assert_eq!(shown, Shown::Codes { element: code, reference: 1 << 16, lead });
        }
    }
}
