//! Things held by their type: what a stage passes on to later ones, without the engine knowing of it.

use std::any::{Any, TypeId};
use std::collections::HashMap;

/// At most one thing of each type.
#[derive(Default)]
pub struct Shared {
    things: HashMap<TypeId, Box<dyn Any>>,
}

impl Shared {
    /// Keeps a thing in place of any other of its type.
    pub fn put<T: Any>(&mut self, thing: T) {
        self.things.insert(TypeId::of::<T>(), Box::new(thing));
    }

    /// The thing of a type.
    pub fn get<T: Any>(&self) -> Option<&T> {
        self.things.get(&TypeId::of::<T>())?.downcast_ref()
    }

    /// The thing of a type, which is then no longer kept.
    pub fn take<T: Any>(&mut self) -> Option<T> {
        self.things.remove(&TypeId::of::<T>())?.downcast().ok().map(|thing| *thing)
    }

    /// Forgets everything.
    pub fn clear(&mut self) {
        self.things.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_type_has_one_place() {
        let mut shared = Shared::default();
        shared.put(7u8);
        shared.put("text");
        shared.put(8u8);
        assert_eq!((shared.get::<u8>(), shared.get::<u16>()), (Some(&8), None));
        assert_eq!((shared.take::<u8>(), shared.take::<u8>()), (Some(8), None));
        shared.clear();
        assert_eq!(shared.get::<&str>(), None);
    }
}
