//! Where a plugin's state is between two calls.

use std::cell::RefCell;

/// The single instance of a plugin in its sandbox, or nothing before `configure` succeeded.
#[derive(Debug)]
pub struct Instance<T>(RefCell<Option<T>>);

impl<T> Default for Instance<T> {
    fn default() -> Self {
        Self::new()
    }
}

impl<T> Instance<T> {
    /// None yet.
    #[must_use]
    pub const fn new() -> Self {
        Self(RefCell::new(None))
    }

    /// Puts the instance in place.
    pub fn set(&self, plugin: T) {
        if let Ok(mut slot) = self.0.try_borrow_mut() {
            *slot = Some(plugin);
        }
    }

    /// Calls `f` on the instance; `None` where there is none.
    pub fn with<R>(&self, f: impl FnOnce(&mut T) -> R) -> Option<R> {
        self.0.try_borrow_mut().ok()?.as_mut().map(f)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn calls_before_configure_find_nothing() {
        let instance = Instance::new();
        assert_eq!(instance.with(|n: &mut u32| *n), None);
        instance.set(7);
        assert_eq!(instance.with(|n| std::mem::replace(n, 8)), Some(7));
        assert_eq!(instance.with(|n| *n), Some(8));
    }
}
