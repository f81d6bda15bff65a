from tablevoice import TableThread

with TableThread("phrasebooks/lantern_table.yaml") as table:
    table.on_message(lambda message: print(f"({message.type})"))
    table.report("greeting")
    answer = table.ask("colour_asked", lights=3)
    print(answer.value, answer.how)
