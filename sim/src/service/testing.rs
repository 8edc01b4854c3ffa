//! Support for the tests of the service line: a line between two ends of one process, and telemetry to send over it.

use forewarm_core::fault::SystemFault;
use forewarm_core::quantity::{Celsius, Instant, Millivolts};
use forewarm_core::settings::MAX_CHANNELS;
use forewarm_core::signals::{Line, Outputs, Sources};
use forewarm_core::wire::service::Telemetry;

/// A pseudo-terminal: the end of a controller, and the path of the line that a computer opens.
#[cfg(unix)]
pub(crate) fn pseudo_terminal() -> (std::fs::File, std::path::PathBuf) {
    use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
    let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).expect("a pseudo-terminal");
    grantpt(&master).expect("it is ours");
    unlockpt(&master).expect("it opens");
    let name = ptsname(&master, Vec::new()).expect("it has a name");
    (master.into(), name.into_string().expect("in UTF-8").into())
}

/// Telemetry of a moment, with readings that follow from it.
pub(crate) fn telemetry(now_ms: u32) -> Telemetry {
    let mut readings = [None; MAX_CHANNELS];
    readings[0] = Some(Celsius::from_millidegrees(i32::try_from(now_ms % 20_000).expect("small") - 10_000));
    Telemetry {
        now: Instant::from_millis(now_ms),
        readings,
        supply: Some(Millivolts::from_millivolts(12_800)),
        bank: None,
        state_of_charge: None,
        sources: Sources::NONE.with(1),
        charge_line: Line::Allowed,
        discharge_line: Line::Refused,
        outputs: Outputs::all_off(SystemFault::ClockJumped),
        frames_dropped: 0,
        events_dropped: 0,
    }
}
