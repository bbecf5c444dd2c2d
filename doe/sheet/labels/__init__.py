"""Labels for the bags of the coupons."""
