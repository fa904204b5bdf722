//! Link-layer addresses (IEEE 802), as bytes and as people write them.

/// A link-layer address.
pub type Address = [u8; 6];

/// An address as people write it.
#[must_use]
pub fn address_text(address: Address) -> String {
    let [a, b, c, d, e, f] = address;
    format!("{a:02x}:{b:02x}:{c:02x}:{d:02x}:{e:02x}:{f:02x}")
}

/// An address that people wrote; `None` where it is none.
#[must_use]
pub fn parse_address(text: &str) -> Option<Address> {
    let mut address = Address::default();
    let mut parts = text.split([':', '-']);
    for byte in &mut address {
        let part = parts.next().filter(|part| part.len() == 2)?;
        *byte = u8::from_str_radix(part, 16).ok()?;
    }
    parts.next().is_none().then_some(address)
}

#[cfg(test)]
mod tests {
    use crate::units::hardware_address::*;

    const A: Address = [2, 0, 0, 0, 0, 0x0A];

    #[test]
    fn addresses_as_people_write_them() {
        assert_eq!(parse_address("02:00:00:00:00:0a"), Some(A));
        assert_eq!(
            parse_address("02-00-00-00-00-0B").map(address_text).as_deref(),
            Some("02:00:00:00:00:0b")
        );
        for wrong in ["", "02:00:00:00:00", "02:00:00:00:00:0a:0b", "2:0:0:0:0:0", "02:00:00:00:00:zz"] {
            assert_eq!(parse_address(wrong), None, "{wrong}");
        }
    }
}
