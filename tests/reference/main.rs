//! Published values with their sources, compared with what the program works out.
mod conformity;
mod given;
mod limits_by_age;
mod torque;
mod units;
