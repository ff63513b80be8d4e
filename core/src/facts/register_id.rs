//! A thing of the register by its kind and id. Written `KIND/ID`.

use std::fmt;
use std::str::FromStr;

use super::id::{DeviceId, FuseId, IdError, LotId, ModuleId, OutingId, PersonId, TypeId};

/// A thing of the register by its kind and id.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum RegisterId {
    /// An igniter type.
    Type(TypeId),
    /// A lot.
    Lot(LotId),
    /// A fuse.
    Fuse(FuseId),
    /// A firing module.
    Module(ModuleId),
    /// A member of the crew.
    Person(PersonId),
    /// A device.
    Device(DeviceId),
    /// An outing.
    Outing(OutingId),
}

impl fmt::Display for RegisterId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Type(id) => write!(f, "type/{id}"),
            Self::Lot(id) => write!(f, "lot/{id}"),
            Self::Fuse(id) => write!(f, "fuse/{id}"),
            Self::Module(id) => write!(f, "module/{id}"),
            Self::Person(id) => write!(f, "person/{id}"),
            Self::Device(id) => write!(f, "device/{id}"),
            Self::Outing(id) => write!(f, "outing/{id}"),
        }
    }
}

impl FromStr for RegisterId {
    type Err = IdError;

    fn from_str(text: &str) -> Result<Self, IdError> {
        let bad = || IdError::BadSuffix { what: "register", text: text.to_owned(), shape: "KIND/ID" };
        let (kind, id) = text.split_once('/').ok_or_else(bad)?;
        Ok(match kind {
            "type" => Self::Type(id.parse()?),
            "lot" => Self::Lot(id.parse()?),
            "fuse" => Self::Fuse(id.parse()?),
            "module" => Self::Module(id.parse()?),
            "person" => Self::Person(id.parse()?),
            "device" => Self::Device(id.parse()?),
            "outing" => Self::Outing(id.parse()?),
            _ => return Err(bad()),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_kind_reads_back_what_it_prints() {
        for id in [
            RegisterId::Type(TypeId::named("a")),
            RegisterId::Lot(LotId::named("a")),
            RegisterId::Fuse(FuseId::named("a")),
            RegisterId::Module(ModuleId::named("a")),
            RegisterId::Person(PersonId::named("a")),
            RegisterId::Device(DeviceId::named("a")),
            RegisterId::Outing(OutingId::named("a")),
        ] {
            assert_eq!(id.to_string().parse(), Ok(id));
        }
        assert!("lot".parse::<RegisterId>().is_err());
        assert!("box/017f22e2-79b0-7cc3-98c4-dc0c0c07398f".parse::<RegisterId>().is_err());
    }
}
