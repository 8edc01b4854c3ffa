#![no_main]
libfuzzer_sys::fuzz_target!(|data: &[u8]| forewarm_oracles::frames(data));
