//! Published values with their sources, compared with what the program works out.
mod conformity;
mod given;
mod limits_by_age;
mod torque;
mod units;
//! The computation against published values. Each JSON file beside this says for every row where it comes from.
mod months;
mod odometer;
mod table;
mod tire;
mod vin;
