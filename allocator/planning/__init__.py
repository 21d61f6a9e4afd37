"""The program: layers, rules, goals, store cuts and the solver behind them."""
