//! The computation against published values. Each JSON file beside this says for every row where it comes from.
mod months;
mod odometer;
mod schedules;
mod table;
mod tire;
mod vin;
