import asyncio

from tablevoice import open_table


async def main() -> None:
    async with open_table("phrasebooks/lantern_table.yaml") as table:
        await table.report("greeting")
        answer = await table.ask("colour_asked", lights=3)
        print(answer.value, answer.how)


asyncio.run(main())
