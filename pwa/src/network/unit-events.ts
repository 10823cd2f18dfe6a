/** Server-sent events, read from a stream of bytes; they only say "there is more". */

/** Call `onEvent` for each event that carries content; resolves when the stream ends. */
export async function readEvents(
  stream: ReadableStream<Uint8Array>,
  onEvent: () => void,
): Promise<void> {
  const reader = stream.getReader();
  const decoder = new TextDecoder();
  let rest = '';
  for (;;) {
    const { done, value } = await reader.read();
    if (done) return;
    rest += decoder.decode(value, { stream: true });
    const blocks = rest.split(/\r?\n\r?\n/);
    rest = blocks.pop() ?? '';
    // A block of comments alone is the server's way of keeping the line open.
    if (blocks.some((block) => /^data:/m.test(block))) onEvent();
  }
}
