//! A few kills of the real binary while it records (study: `examples/kills`).

#[path = "../examples/kills/killed_session.rs"]
mod killed_session;

use std::path::Path;
use std::time::Duration;

use killed_session::Kill;

/// Whenever it is killed, the file opens, and nothing is missing before something that is there. How much is missing is for
/// the study to say: a busy machine writes late.
#[test]
fn a_killed_recording_opens_and_has_no_holes() {
    let kills = [(false, 30), (true, 60), (false, 1500), (true, 2500)];
    let sessions = kills.map(|(over_serial, after_ms)| {
        std::thread::spawn(move || {
            let folder = tempfile::tempdir().expect("a folder");
            let kill = Kill { over_serial, after: Duration::from_millis(after_ms), slow_syncs: false };
            let program = Path::new(env!("CARGO_BIN_EXE_fadewatch"));
            (killed_session::run(program, folder.path(), &kill).expect("a session"), kill)
        })
    });
    for session in sessions {
        let (left, kill) = session.join().expect("a session");
        assert!(left.opens || !left.is_there, "{kill:?}: {left:?}");
        assert!(!left.has_holes && left.kept <= left.sent, "{kill:?}: {left:?}");
    }
}
