"""How figures are drawn, on paper and on the screen, and the tables behind them."""
