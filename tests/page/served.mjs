// The page's program, for the browser tests and the measurements.
import {spawn} from 'node:child_process';

// Starts it on a book; resolves to {child, address} once it has told its address.
export function serve(rebite, book) {
  return new Promise((resolve, reject) => {
    const child = spawn(rebite, ['page', '--book', book, '--no-browser'], {stdio: ['ignore', 'pipe', 'pipe']});
    let out = '';
    child.stdout.on('data', (d) => {
      out += d;
      const found = /http:\/\/127\.0\.0\.1:\d+\/#key=[0-9a-f]{32}/.exec(out);
      if (found) resolve({child, address: found[0]});
    });
    child.stderr.on('data', (d) => { out += d; });
    child.on('exit', (code) => reject(new Error(`rebite page ended with ${code}: ${out}`)));
  });
}
