import asyncio
import json
import sys
import uuid

import aiomqtt


async def main(table: str, port: int) -> None:
    v5 = aiomqtt.ProtocolVersion.V5
    async with aiomqtt.Client("localhost", port, protocol=v5) as broker:
        await broker.subscribe(f"{table}/out/+", qos=1)
        event = {"v": 1, "type": "event", "id": uuid.uuid4().hex, "event": "greeting"}
        await broker.publish(f"{table}/in/event", json.dumps(event), qos=1)
        async for message in broker.messages:
            told = json.loads(message.payload)
            if told.get("id") == event["id"] and told["type"] != "said":
                print(told["type"], told.get("said") or told.get("what"))
                return


asyncio.run(main(sys.argv[1], int(sys.argv[2])))
