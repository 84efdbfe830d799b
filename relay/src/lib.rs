pub mod units {}
