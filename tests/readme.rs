//! The README says what the program does: its key table is the program's own.

#[test]
fn the_key_table_is_the_programs_own() {
    let readme = include_str!("../README.md");
    let table = fadewatch::tui::keys::markdown();
    assert!(readme.contains(&table), "put this into the README, under Keys:\n{table}");
}
