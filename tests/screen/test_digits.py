"""Numbers of bench.toml without limits of error: known to their last digit and no better, and told so."""

from fit.benches import Sheet, write_bench

from driveloss.fit.weaknesses import without_limits

SWEEPS = [
    Sheet(stage, "frequency [Hz],power [W]", [(f, 2 * f) for f in (4.0, 5.0, 6.0)])
    for stage in ("piston-disconnected", "no-load")
]
TERMINALS = '[motor]\nsupply = "terminals"\n'


def test_numbers_without_limits_are_told_in_one_sentence(tmp_path):
    """By hand: whole numbers are counts, "+/- 0" is exact, a hundredth of a millimetre is as good as a limit."""
    sections = (
        '[motor]\nsupply = "controller"\nwinding_resistance = "0.42 ohm"\ntorque_constant = "0.061 N*m/A +/- 0"\n'
        "[transmission]\nratio = 3\nefficiency = 0.95\n"
    )
    cylinder = '[cylinders.one]\nbore = "30 mm"\nstroke = "36.00 mm"\nopen_port_diameter = "8 mm +/- 0.1 mm"\n'
    (finding,) = without_limits(write_bench(tmp_path, sections, SWEEPS, cylinder, exactly=False).rig)
    told = "motor.winding_resistance, transmission.efficiency, cylinders.one.bore have no limits of error"
    assert finding.kind == "digits" and told in finding.sentence
    assert "to 10 %" in finding.sentence and '"+/- 0" means exact' in finding.sentence


def test_where_every_number_has_limits_nothing_is_said(tmp_path):
    assert without_limits(write_bench(tmp_path, TERMINALS, SWEEPS).rig) == []
