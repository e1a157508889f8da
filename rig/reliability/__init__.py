"""What hours and failures of many units prove: life distributions, demonstrated reliability, growth."""
