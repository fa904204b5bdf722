//! Whose an id is that comes from several addresses at once.
//!
//! Definition: of each id (system and component) on each interface of datagrams the address that is heard first owns it; its
//! messages reach the meters. What another address brings under it meanwhile counts in no figure but its own row of loss:
//! it may be forged, or two vehicles have one id. Unit: frames. Window: the last 2 s.
//!
//! - A second path: the same numbers and bytes from another address within 2 s, either order, three times and more of the last
//!   64 frames. What it alone brings counts too; a copy of what was taken does not.
//! - The owner changes: to another port of its address at once where that one's first frame goes on with the numbers (one may
//!   be lost), else after 2 s of silence, or four usual spacings if they are longer; to another address after 10 s. One that
//!   owned it before takes it back as it is heard. Ports that go on with one numbering by turns are one owner.
//! - Duplicate, late: are the owner's. Wrap: numbers are modulo 256. Restart: is no change of address.
//!
//! Common practice, no source. Nothing here proves who somebody is: whoever copies the numbers too is not told apart.
//! Bounded: 512 ids, 4 earlier owners and 8 others of each; the longest silent make room, 64 ids at once,
//! of those that count for least (see `heard_table`), never one that is ours.

use std::collections::{BTreeMap, VecDeque};
use std::net::SocketAddr;

use super::context::Sender;
use crate::stats::heard_table::Rank;
use crate::units::Nanos;

const MOST_IDS: usize = 512;
/// Ids that make room together: a look at all of them for each new one would cost more than all else in a flood.
const AT_ONCE: usize = 64;
const MOST_OWNERS: usize = 4;
const MOST_RIVALS: usize = 8;
const MOST_FRAMES: usize = 512;
/// Another address waits for so long a silence.
const SILENT: Nanos = Nanos::from_secs(10);
/// Another address is forgotten after so long.
const FORGOTTEN: Nanos = Nanos::from_secs(60);
/// Another port of the same address for at least so long.
const PORT_SILENT: Nanos = Nanos::from_secs(2);
/// And for so many usual spacings.
const SPACINGS: i64 = 4;
/// A copy comes within so long.
const COPIED: Nanos = Nanos::from_secs(2);
/// Numbers ahead that go on, and behind that are late.
const NEAR: u8 = 2;
/// Copies that show a second path, and frames that are none that show another sender.
const ENOUGH: u32 = 3;
/// Frames of another address after which older ones count half.
const REMEMBERED: u32 = 64;

/// Whose a frame is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Claim {
    /// The owner's, or one that a second path alone brought.
    Owned,
    /// The owner's, from a new address.
    Moved,
    /// Of a second path, or of the owner: taken already from another address.
    Copy,
    /// Of another address: it counts in no figure but its own.
    Apart,
}

/// An id was heard from two addresses at once, and they say different things.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Contest {
    /// The id, and where.
    pub sender: Sender,
    /// Who owns it.
    pub owner: SocketAddr,
    /// Who else uses it.
    pub other: SocketAddr,
}

/// What tells a frame from others.
type Mark = (u8, u64);

#[derive(Clone, Copy, Debug)]
struct Heard {
    at: Nanos,
    from: SocketAddr,
    mark: Mark,
}

/// Another address under an id that is owned.
#[derive(Clone, Debug)]
struct Rival {
    address: SocketAddr,
    last: Nanos,
    copies: u32,
    others: u32,
    told: bool,
    /// Frames that may turn out to be copies.
    open: VecDeque<(Nanos, Mark)>,
}

impl Rival {
    const fn is_path(&self) -> bool {
        self.copies >= ENOUGH
    }

    const fn is_other(&self) -> bool {
        self.copies == 0 && self.others >= ENOUGH
    }

    fn count(&mut self, is_copy: bool) {
        self.copies += u32::from(is_copy);
        self.others += u32::from(!is_copy);
        if self.copies + self.others >= REMEMBERED {
            (self.copies, self.others) = (self.copies / 2, self.others / 2);
        }
    }
}

/// One id.
#[derive(Clone, Debug)]
struct Id {
    /// Addresses and their newest numbers, the present owner last.
    owners: Vec<(SocketAddr, u8)>,
    first: Nanos,
    frames: i64,
    newest: Heard,
    rivals: Vec<Rival>,
    /// What was taken while there are rivals.
    taken: VecDeque<Heard>,
}

impl Id {
    fn begin(heard: Heard) -> Self {
        let owners = vec![(heard.from, heard.mark.0)];
        Self { owners, first: heard.at, frames: 0, newest: heard, rivals: Vec::new(), taken: VecDeque::new() }
    }

    fn observe(&mut self, heard: Heard) -> Claim {
        let Some(&(owner, _)) = self.owners.last() else { return Claim::Apart };
        if owner == heard.from {
            return self.own(heard);
        }
        let silent = heard.at - self.newest.at;
        let ahead = heard.mark.0.wrapping_sub(self.newest.mark.0);
        let goes_on = (1..=NEAR).contains(&ahead);
        if let Some(place) = self.owners.iter().position(|(address, _)| *address == heard.from) {
            let is_late = ahead > u8::MAX - NEAR
                || !(1..=127).contains(&heard.mark.0.wrapping_sub(self.owners[place].1));
            if goes_on || !is_late {
                let back = self.owners.remove(place);
                self.owners.truncate(if goes_on { MOST_OWNERS } else { place });
                self.owners.push(back);
            }
            return self.own(heard);
        }
        let is_port = owner.ip() == heard.from.ip();
        let is_new = self.rivals.iter().all(|rival| rival.address != heard.from);
        if goes_on && is_port && is_new || silent > if is_port { self.port_silence() } else { SILENT } {
            self.rivals.retain(|rival| rival.address != heard.from);
            if self.owners.len() >= MOST_OWNERS {
                self.owners.remove(0);
            }
            self.owners.push((heard.from, heard.mark.0));
            self.own(heard);
            return Claim::Moved;
        }
        self.rival(heard)
    }

    /// How long an owner is silent that has left its port.
    fn port_silence(&self) -> Nanos {
        let usual = (self.newest.at - self.first).0 / self.frames.max(1);
        Nanos(usual.saturating_mul(SPACINGS)).max(PORT_SILENT).min(SILENT)
    }

    /// A frame of an owner, the present one or an earlier one that is late.
    fn own(&mut self, heard: Heard) -> Claim {
        self.newest.at = heard.at;
        self.frames += 1;
        if let Some((owner, number)) = self.owners.last_mut()
            && *owner == heard.from
        {
            *number = heard.mark.0;
            self.newest = heard;
        }
        if self.rivals.is_empty() { Claim::Owned } else { self.take(heard) }
    }

    /// What may be taken: a copy of what was taken from another address is not.
    fn take(&mut self, heard: Heard) -> Claim {
        for rival in self.rivals.iter_mut().filter(|rival| rival.address != heard.from) {
            if let Some(place) = rival.open.iter().position(|(_, mark)| *mark == heard.mark) {
                rival.open.remove(place);
                rival.count(true);
            }
        }
        let is_copy = self.rivals.iter().any(Rival::is_path) && self.was_taken(heard);
        self.settle(heard.at);
        if is_copy {
            return Claim::Copy;
        }
        if self.taken.len() >= MOST_FRAMES {
            self.taken.pop_front();
        }
        self.taken.push_back(heard);
        Claim::Owned
    }

    fn was_taken(&self, heard: Heard) -> bool {
        let same =
            |one: &Heard| one.mark == heard.mark && one.from != heard.from && heard.at - one.at <= COPIED;
        self.taken.iter().any(same)
    }

    fn rival(&mut self, heard: Heard) -> Claim {
        let known = self.rivals.iter().position(|rival| rival.address == heard.from);
        let place = known.unwrap_or_else(|| {
            if self.rivals.is_empty() {
                self.taken = VecDeque::from([self.newest]);
            } else if self.rivals.len() >= MOST_RIVALS {
                let longest = (0..MOST_RIVALS).min_by_key(|&place| self.rivals[place].last);
                self.rivals.swap_remove(longest.unwrap_or(0));
            }
            let (address, last, open) = (heard.from, heard.at, VecDeque::new());
            self.rivals.push(Rival { address, last, copies: 0, others: 0, told: false, open });
            self.rivals.len() - 1
        });
        let is_copy = self.was_taken(heard);
        let rival = &mut self.rivals[place];
        rival.last = heard.at;
        if is_copy {
            rival.count(true);
        } else {
            if rival.open.len() >= MOST_FRAMES {
                rival.open.pop_front();
            }
            rival.open.push_back((heard.at, heard.mark));
        }
        if !is_copy && self.rivals[place].is_path() {
            return self.take(heard);
        }
        self.settle(heard.at);
        if is_copy { Claim::Copy } else { Claim::Apart }
    }

    /// What waited for long enough is no copy, if the owner was heard since.
    fn settle(&mut self, at: Nanos) {
        let owned = self.newest.at;
        for rival in &mut self.rivals {
            while rival.open.front().is_some_and(|(came, _)| at - *came > COPIED) {
                let waited = rival.open.pop_front();
                if waited.is_some_and(|(came, _)| owned > came) {
                    rival.count(false);
                }
            }
        }
        while self.taken.front().is_some_and(|one| at - one.at > COPIED) {
            self.taken.pop_front();
        }
        self.rivals.retain(|rival| at - rival.last <= FORGOTTEN);
    }

    /// An address that turned out to be another sender, once.
    fn told(&mut self) -> Option<(SocketAddr, SocketAddr)> {
        let (owner, _) = *self.owners.last()?;
        let rival = self.rivals.iter_mut().find(|rival| rival.is_other() && !rival.told)?;
        rival.told = true;
        Some((owner, rival.address))
    }
}

/// All ids.
#[derive(Clone, Debug, Default)]
pub struct Claims(BTreeMap<Sender, Id>);

impl Claims {
    /// Takes a frame that came in a datagram: whose it is, and what it shows for the first time.
    pub fn observe(
        &mut self,
        at: Nanos,
        sender: Sender,
        from: SocketAddr,
        mark: (u8, u64),
        rank: impl Fn(Sender) -> Rank,
    ) -> (Claim, Option<Contest>) {
        let heard = Heard { at, from, mark };
        if let Some(id) = self.0.get_mut(&sender) {
            let claim = id.observe(heard);
            let told = if id.rivals.is_empty() { None } else { id.told() };
            return (claim, told.map(|(owner, other)| Contest { sender, owner, other }));
        }
        if self.0.len() >= MOST_IDS && !self.make_room(rank) {
            return (Claim::Apart, None);
        }
        self.0.insert(sender, Id::begin(heard));
        (Claim::Owned, None)
    }

    /// Forgets the longest silent of those that count for least; false where all are ours.
    fn make_room(&mut self, rank: impl Fn(Sender) -> Rank) -> bool {
        let all = self.0.iter().map(|(sender, id)| (rank(*sender), id.newest.at, *sender));
        let mut others: Vec<_> = all.filter(|(rank, ..)| *rank < Rank::Own).collect();
        others.sort_unstable();
        let Some(&(least, ..)) = others.first() else { return false };
        for (.., sender) in others.iter().take_while(|(rank, ..)| *rank == least).take(AT_ONCE) {
            self.0.remove(sender);
        }
        true
    }

    /// About how many bytes are held that copies do not share.
    pub(crate) fn own_bytes(&self) -> usize {
        let of = |id: &Id| {
            let open: usize = id.rivals.iter().map(|rival| rival.open.len()).sum();
            size_of::<Id>() + id.taken.len() * size_of::<Heard>() + open * size_of::<(Nanos, Mark)>()
        };
        self.0.values().map(of).sum()
    }
}

#[cfg(test)]
mod tests {
    use std::cell::Cell;

    use crate::measure::claims::*;
    use crate::record::{Direction, InterfaceId};

    fn sender(number: u32) -> Sender {
        let (system, component) = ((number / 250) as u8, (number % 250) as u8);
        Sender { interface: InterfaceId(0), direction: Direction::Inbound, system, component }
    }

    /// A thousand and more ids by turns: few are looked at for each; who goes on is not forgotten, nor who counts for more.
    #[test]
    fn a_flood_of_ids_costs_few_looks_and_takes_nobodys_place_that_goes_on() {
        const FRAMES: u32 = 20_000;
        const STEADY: u32 = 1;
        const OURS: u32 = 2;
        const KIN: u32 = 3;
        let (mut claims, looks) = (Claims::default(), Cell::new(0_u32));
        let rank = |of: Sender| {
            looks.set(looks.get() + 1);
            match of {
                _ if of == sender(OURS) => Rank::Own,
                _ if of == sender(KIN) => Rank::Kin,
                _ => Rank::Stranger,
            }
        };
        let [own, other] = [1, 2].map(|host| SocketAddr::from(([192, 0, 2, host], 14_550)));
        let mut hear = |at: u32, number: u32, from| {
            let mark = (at as u8, u64::from(at));
            claims.observe(Nanos::from_millis(i64::from(at)), sender(number), from, mark, rank).0
        };
        for number in [STEADY, OURS, KIN] {
            hear(0, number, own);
        }
        for at in 1..FRAMES {
            hear(at, 10 + at % 1500, own);
            if at % 100 == 0 {
                hear(at, STEADY, own);
            }
        }
        assert!(looks.get() <= 10 * FRAMES, "{} looks", looks.get());
        // The steady one was heard just now; ours and its kin are silent for so long that another may take over.
        assert_eq!(hear(FRAMES, STEADY, other), Claim::Apart);
        for number in [OURS, KIN] {
            assert_eq!(hear(FRAMES, number, other), Claim::Moved);
        }
    }
}
