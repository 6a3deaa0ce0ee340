"""Delivery of rendered records: one file for each kind of target, found by its being there.

A new kind is a new module in this folder that names its settings `TARGET` (`gateway.delivery.base.Settings` says what
they must offer, `Target` what is made of them). It needs no entry in any list; the contract tests apply to it by its
being here.
"""
