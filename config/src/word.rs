//! How values lie in a device's registers: tables, types, orders of words and bytes.

/// The four tables of the Modbus data model.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Hash)]
pub enum Table {
    /// Holding registers, function 3.
    Holding,
    /// Input registers, function 4.
    Input,
    /// Coils, function 1.
    Coil,
    /// Discrete inputs, function 2.
    Discrete,
}

impl Table {
    /// The word in the file.
    pub const fn name(self) -> &'static str {
        match self {
            Table::Holding => "holding",
            Table::Input => "input",
            Table::Coil => "coil",
            Table::Discrete => "discrete",
        }
    }

    /// Whether it holds single contacts.
    pub const fn is_contacts(self) -> bool {
        matches!(self, Table::Coil | Table::Discrete)
    }
}

/// Order of the words of a value of 32 or 64 bits.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash)]
pub enum WordOrder {
    /// The high word has the lowest address.
    HighFirst,
    /// The low word has the lowest address.
    LowFirst,
}

impl WordOrder {
    /// The word in the file.
    pub const fn name(self) -> &'static str {
        match self {
            WordOrder::HighFirst => "high-first",
            WordOrder::LowFirst => "low-first",
        }
    }
}

/// Order of the two bytes of a word on the wire.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash, Default)]
pub enum ByteOrder {
    /// The high byte comes first, as the protocol has it.
    #[default]
    HighFirst,
    /// The low byte comes first: some gateways copy memory as it lies.
    LowFirst,
}

impl ByteOrder {
    /// The word in the file.
    pub const fn name(self) -> &'static str {
        match self {
            ByteOrder::HighFirst => "high-first",
            ByteOrder::LowFirst => "low-first",
        }
    }
}

/// How raw words are read.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash)]
pub enum RawType {
    /// Unsigned 16 bit.
    U16,
    /// Signed 16 bit, two's complement.
    I16,
    /// Unsigned 32 bit.
    U32(WordOrder),
    /// Signed 32 bit, two's complement.
    I32(WordOrder),
    /// Unsigned 64 bit.
    U64(WordOrder),
    /// Signed 64 bit, two's complement.
    I64(WordOrder),
    /// IEEE 754 single precision.
    F32(WordOrder),
    /// IEEE 754 double precision.
    F64(WordOrder),
    /// Four decimal digits of four bits each.
    Bcd16,
    /// Eight decimal digits.
    Bcd32(WordOrder),
    /// Sixteen decimal digits.
    Bcd64(WordOrder),
    /// The highest bit is the sign, the other 15 the magnitude.
    SignMagnitude16,
    /// The highest bit is the sign, the other 31 the magnitude.
    SignMagnitude32(WordOrder),
    /// One bit of a word, 0 (least) to 15.
    Bit(u8),
    /// A coil or discrete input.
    Contact,
}

impl RawType {
    /// The words of the file for types of words, `bit` apart.
    pub const NAMES: &'static [&'static str] =
        &["u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64", "bcd16", "bcd32", "bcd64", "sm16", "sm32"];

    /// The type by its word in the file; `None` for a word that is none of [`RawType::NAMES`].
    pub fn from_name(name: &str, order: WordOrder) -> Option<Self> {
        Some(match name {
            "u16" => RawType::U16,
            "i16" => RawType::I16,
            "u32" => RawType::U32(order),
            "i32" => RawType::I32(order),
            "u64" => RawType::U64(order),
            "i64" => RawType::I64(order),
            "f32" => RawType::F32(order),
            "f64" => RawType::F64(order),
            "bcd16" => RawType::Bcd16,
            "bcd32" => RawType::Bcd32(order),
            "bcd64" => RawType::Bcd64(order),
            "sm16" => RawType::SignMagnitude16,
            "sm32" => RawType::SignMagnitude32(order),
            _ => return None,
        })
    }

    /// The word in the file.
    pub const fn name(self) -> &'static str {
        match self {
            RawType::U16 => "u16",
            RawType::I16 => "i16",
            RawType::U32(_) => "u32",
            RawType::I32(_) => "i32",
            RawType::U64(_) => "u64",
            RawType::I64(_) => "i64",
            RawType::F32(_) => "f32",
            RawType::F64(_) => "f64",
            RawType::Bcd16 => "bcd16",
            RawType::Bcd32(_) => "bcd32",
            RawType::Bcd64(_) => "bcd64",
            RawType::SignMagnitude16 => "sm16",
            RawType::SignMagnitude32(_) => "sm32",
            RawType::Bit(_) => "bit",
            RawType::Contact => "contact",
        }
    }

    /// How many registers (or contacts) it takes.
    pub const fn width(self) -> u16 {
        match self {
            RawType::U64(_) | RawType::I64(_) | RawType::F64(_) | RawType::Bcd64(_) => 4,
            RawType::U32(_) | RawType::I32(_) | RawType::F32(_) | RawType::Bcd32(_) | RawType::SignMagnitude32(_) => 2,
            _ => 1,
        }
    }

    /// The order of its words; `None` where it has one word only.
    pub const fn order(self) -> Option<WordOrder> {
        match self {
            RawType::U32(o)
            | RawType::I32(o)
            | RawType::U64(o)
            | RawType::I64(o)
            | RawType::F32(o)
            | RawType::F64(o)
            | RawType::Bcd32(o)
            | RawType::Bcd64(o)
            | RawType::SignMagnitude32(o) => Some(o),
            _ => None,
        }
    }

    /// The same type with its words in another order; the same where it has one word only.
    pub fn with_order(self, order: WordOrder) -> Self {
        RawType::from_name(self.name(), order).unwrap_or(self)
    }

    /// Whether it is an unsigned integer, of which fields can be masked out.
    pub const fn is_unsigned(self) -> bool {
        matches!(self, RawType::U16 | RawType::U32(_) | RawType::U64(_))
    }

    /// Whether it is a float.
    pub const fn is_float(self) -> bool {
        matches!(self, RawType::F32(_) | RawType::F64(_))
    }

    /// The least and the greatest number it can show; `None` for a float.
    pub const fn range(self) -> Option<(i128, i128)> {
        match self {
            RawType::U16 => Some((0, 0xFFFF)),
            RawType::U32(_) => Some((0, 0xFFFF_FFFF)),
            RawType::U64(_) => Some((0, 0xFFFF_FFFF_FFFF_FFFF)),
            RawType::I16 => Some((-0x8000, 0x7FFF)),
            RawType::I32(_) => Some((-0x8000_0000, 0x7FFF_FFFF)),
            RawType::I64(_) => Some((-0x8000_0000_0000_0000, 0x7FFF_FFFF_FFFF_FFFF)),
            RawType::Bcd16 => Some((0, 9999)),
            RawType::Bcd32(_) => Some((0, 99_999_999)),
            RawType::Bcd64(_) => Some((0, 9_999_999_999_999_999)),
            RawType::SignMagnitude16 => Some((-0x7FFF, 0x7FFF)),
            RawType::SignMagnitude32(_) => Some((-0x7FFF_FFFF, 0x7FFF_FFFF)),
            RawType::Bit(_) | RawType::Contact => Some((0, 1)),
            RawType::F32(_) | RawType::F64(_) => None,
        }
    }

    /// The bits that stand for a number; `None` where it cannot be shown.
    pub fn pattern(self, number: i128) -> Option<u64> {
        let (least, most) = self.range()?;
        if !(least..=most).contains(&number) {
            return None;
        }
        let magnitude = number.unsigned_abs() as u64;
        Some(match self {
            RawType::Bcd16 | RawType::Bcd32(_) | RawType::Bcd64(_) => {
                let (mut rest, mut bits, mut place) = (magnitude, 0, 0);
                while rest > 0 {
                    bits |= (rest % 10) << place;
                    (rest, place) = (rest / 10, place + 4);
                }
                bits
            }
            RawType::SignMagnitude16 => magnitude | u64::from(number < 0) << 15,
            RawType::SignMagnitude32(_) => magnitude | u64::from(number < 0) << 31,
            _ => number as u64 & self.all_bits(),
        })
    }

    /// The bits that stand for a float; `None` for a type that is none, and for a single that cannot be that number.
    pub fn float_pattern(self, number: f64) -> Option<u64> {
        match self {
            RawType::F32(_) if !(number as f32).is_finite() => None,
            RawType::F32(_) => Some(u64::from((number as f32).to_bits())),
            RawType::F64(_) => Some(number.to_bits()),
            _ => None,
        }
    }

    /// All its bits set.
    pub const fn all_bits(self) -> u64 {
        match self.width() {
            4 => u64::MAX,
            2 => 0xFFFF_FFFF,
            _ => 0xFFFF,
        }
    }
}

/// A place on a device and its type. Addresses are those of the protocol: the first register is 0.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Register {
    /// Which table.
    pub table: Table,
    /// Protocol address of the first register.
    pub address: u16,
    /// Type.
    pub raw: RawType,
    /// Order of the bytes in each word.
    pub bytes: ByteOrder,
}
