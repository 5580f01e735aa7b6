"""How alarms are raised. The only package that may write to a device, and only when armed."""
