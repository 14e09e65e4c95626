from study_flatness import WAYS, coverage


def test_intervals_hold_and_flat_beds_look_perfect():
    # a part of the study; each share of 200 has a standard deviation of 1.5 %
    shares = coverage(200, seed=3)
    for way in WAYS:
        assert 0.89 <= shares[way, "all shapes"][0] <= 0.99, way
        assert shares[way, "flat"][1] >= 0.91, way
        assert abs(shares[way, "modes"][2]) < 0.5
