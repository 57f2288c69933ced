//! Places for connections: so many in all, and so many for one address.

use std::{
    collections::HashMap,
    net::IpAddr,
    sync::{Arc, Mutex, PoisonError},
};

use gillbook_web::network_of;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// How many there are.
#[derive(Debug, Clone)]
pub(crate) struct Places {
    all: Arc<Semaphore>,
    of_address: Arc<Mutex<HashMap<IpAddr, usize>>>,
    max_per_address: usize,
}

/// One of an address, given back when it is dropped.
#[derive(Debug)]
pub(crate) struct AddressPlace {
    places: Places,
    address: IpAddr,
}

impl Places {
    pub fn new(max: usize, max_per_address: usize) -> Self {
        Self { all: Arc::new(Semaphore::new(max)), of_address: Arc::default(), max_per_address }
    }

    /// A place among all, as soon as there is one.
    pub async fn one(&self) -> OwnedSemaphorePermit {
        self.all.clone().acquire_owned().await.expect("the semaphore is never closed")
    }

    /// A place of an address, unless it has all of its own. This machine, where a proxy speaks for many, is not counted.
    pub fn of(&self, address: Option<IpAddr>) -> Result<Option<AddressPlace>, IpAddr> {
        let Some(address) = address.filter(|address| !address.to_canonical().is_loopback()).map(network_of) else {
            return Ok(None);
        };
        let mut counts = self.of_address.lock().unwrap_or_else(PoisonError::into_inner);
        let count = counts.entry(address).or_default();
        if *count >= self.max_per_address {
            return Err(address);
        }
        *count += 1;
        Ok(Some(AddressPlace { places: self.clone(), address }))
    }
}

impl Drop for AddressPlace {
    fn drop(&mut self) {
        let mut counts = self.places.of_address.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = counts.get_mut(&self.address) {
            *count -= 1;
            if *count == 0 {
                counts.remove(&self.address);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_has_so_many_and_gives_them_back_and_this_machine_is_not_counted() {
        let places = Places::new(10, 2);
        let of = |address: &str| places.of(Some(address.parse().unwrap()));
        let held = (of("192.0.2.1").unwrap(), of("192.0.2.1").unwrap());
        assert!(of("::ffff:192.0.2.1").is_err(), "the same one, written otherwise");
        assert!(of("192.0.2.2").is_ok());
        drop(held);
        assert!(of("192.0.2.1").is_ok());
        assert!(places.of_address.lock().unwrap().is_empty(), "nothing is remembered of who has gone");
        let local: Vec<_> = (0..5).map(|_| of("127.0.0.1").unwrap()).collect();
        assert!(local.iter().all(Option::is_none) && places.of(None).unwrap().is_none());
    }
}
