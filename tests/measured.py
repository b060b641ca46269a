"""Numbers out of a measurement, by name."""


def value(measurements, name, method=None, side=None):
    row = measurements.by_method(name, method, side) if method else measurements.primary(name, side)
    assert row is not None, (name, method, side, measurements.missing)
    return row.value


def table(measurements):
    return {(row.name, row.side, row.method): row.value for row in measurements.rows}
