#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| fadewatch_fuzz::laws::frames::framer(data));
