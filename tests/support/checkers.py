"""Independent checkers of delivered files, run in this process."""

import warnings


def remarks(path, checker, above):
    """Return what compliance-checker says, of more than priority ``above``."""
    from compliance_checker.runner import CheckSuite

    with warnings.catch_warnings():
        # The checker's own code warns of deprecated calls, not of our file.
        warnings.simplefilter("ignore")
        suite = CheckSuite()
        suite.load_all_available_checkers()
        dataset = suite.load_dataset(str(path))
        scores = suite.run_all(dataset, [checker], skip_checks=[])
        dataset.close()
    groups, errors = scores[checker]
    assert not errors
    assert len(groups) > 10  # it did check
    return [
        (group.weight, group.name, message)
        for group in groups
        if group.weight > above
        for message in messages_of(group)
    ]


def messages_of(result):
    """Return the messages of a result and its children that lost a point."""
    children = [message for child in result.children or () for message in messages_of(child)]
    if result.children:
        return children
    got, possible = result.value if isinstance(result.value, tuple) else (result.value, 1)
    return [] if got == possible or got is True else list(result.msgs or [result.name])
