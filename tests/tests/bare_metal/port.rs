//! The port to copy for your own board: it builds unchanged.

use crate::boards::image;

#[test]
fn the_port_to_copy_builds_for_the_smallest_processor() {
    let loaded = image("thumbv6m-none-eabi", "port");
    assert!(loaded.iter().any(|part| part.start == 0), "no vector table at the start: {loaded:x?}");
}
