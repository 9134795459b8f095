"""`ridgepost contract`: what is on the bus, for other programs and for people."""

import click


@click.command()
@click.option("--page", is_flag=True, help="As a page for people (Markdown).")
def command(page: bool) -> None:
    """Print what the station publishes and can be asked on the bus: topics, payloads, asks.

    An AsyncAPI 3.0 document with a JSON Schema for each payload. It needs no settings, no broker
    and no station. The exit status is 0.
    """
    from ridgepost.bus.contract import shipped_text
    from ridgepost.bus.contract_page import page as page_text

    click.echo(page_text() if page else shipped_text(), nl=False)
