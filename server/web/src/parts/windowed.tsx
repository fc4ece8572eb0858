import type { ComponentChildren } from "preact";
import { useEffect, useLayoutEffect, useRef, useState } from "preact/hooks";

/** Height that a row is taken to have before it was drawn. */
export const ROW = 84;

/**
 * A long list of which only what is near the screen is drawn. Rows may differ
 * in height: those drawn are measured and remembered.
 */
export function Windowed<T>({
	items,
	height,
	render,
}: {
	items: readonly T[];
	height: number;
	render: (item: T, index: number) => ComponentChildren;
}) {
	const list = useRef<HTMLUListElement>(null);
	const heights = useRef<Map<number, number>>(new Map());
	const [range, setRange] = useState<[number, number]>([0, 24]);
	const of = (i: number) => heights.current.get(i) ?? height;
	const sum = (from: number, to: number) => {
		let n = 0;
		for (let i = from; i < to; i++) n += of(i);
		return n;
	};

	useLayoutEffect(() => {
		const el = list.current;
		if (!el) return;
		const rows = el.querySelectorAll<HTMLElement>(":scope > li:not([data-space])");
		rows.forEach((row, k) => {
			heights.current.set(range[0] + k, row.offsetHeight);
		});
	});

	useEffect(() => {
		heights.current.clear();
		setRange([0, 24]);
	}, [items.length]);

	useEffect(() => {
		const el = list.current;
		const scroller = el?.closest(".body");
		if (!el || !scroller) return;
		let frame = 0;
		const look = () => {
			frame = 0;
			const top = scroller.scrollTop - el.offsetTop + (scroller as HTMLElement).offsetTop;
			let first = 0;
			let y = 0;
			while (first < items.length && y + of(first) < top - 400) y += of(first++);
			let last = first;
			while (last < items.length && y < top + scroller.clientHeight + 400) y += of(last++);
			setRange((r) => (r[0] === first && r[1] === last ? r : [first, last]));
		};
		const onScroll = () => {
			frame ||= requestAnimationFrame(look);
		};
		look();
		scroller.addEventListener("scroll", onScroll, { passive: true });
		addEventListener("resize", onScroll);
		return () => {
			cancelAnimationFrame(frame);
			scroller.removeEventListener("scroll", onScroll);
			removeEventListener("resize", onScroll);
		};
	}, [items]);

	const from = Math.min(range[0], items.length);
	const to = Math.min(range[1], items.length);
	return (
		<ul class="list" ref={list}>
			{from > 0 && <Space height={sum(0, from)} />}
			{items.slice(from, to).map((item, k) => render(item, from + k))}
			{to < items.length && <Space height={sum(to, items.length)} />}
		</ul>
	);
}

function Space({ height }: { height: number }) {
	return <li data-space="" aria-hidden="true" role="presentation" style={{ height: `${height}px` }} />;
}
